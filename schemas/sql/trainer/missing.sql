-- one row per sample of predict.parquet that was not predicted
select asked.sample_id
from asked
anti join answered on answered.sample_id = asked.sample_id
order by asked.sample_id
