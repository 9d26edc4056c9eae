-- one row per sample that stands in train.parquet and in predict.parquet
select distinct asked.sample_id
from asked
semi join trained on trained.sample_id = asked.sample_id
order by asked.sample_id
