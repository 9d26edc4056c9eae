-- one row per prediction whose confidence is missing where it must be there, or not within 0 and 1
select sample_id
from answered
where coalesce(not (confidence between 0 and 1), $is_required)
order by sample_id
