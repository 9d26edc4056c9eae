-- one row per prediction with a score for a foreign label, or a score that is not within 0 and 1
select sample_id
from answered
where len(list_filter(map_keys(scores), lambda label: not list_contains($labels, label))) > 0
    or len(list_filter(map_values(scores), lambda score: not (score between 0 and 1))) > 0
order by sample_id
