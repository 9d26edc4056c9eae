-- one row per prediction whose label is null or none of the allowed ones
select sample_id
from answered
where predicted is null or not list_contains($labels, predicted)
order by sample_id
