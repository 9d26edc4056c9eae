-- one row per prediction that is no finite number
select sample_id
from answered
where predicted_value is null or not isfinite(predicted_value)
order by sample_id
