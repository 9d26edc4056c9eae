-- one row per predicted sample that is not in predict.parquet
select answered.sample_id
from answered
anti join asked on asked.sample_id = answered.sample_id
order by answered.sample_id
