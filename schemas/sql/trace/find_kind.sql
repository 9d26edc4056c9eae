-- one row per kind of thing that bears this ID or name
select distinct kind
from (
    select 'training_set' as kind from training_set where version = $id
    union all
    select 'model' from model where model_version = $id
    union all
    select 'model' from prediction where model_version = $id
    union all
    select 'label_revision' from label_revision where revision_id = $id
    union all
    select 'label_fix' from label_fix where fix_id = $id
    union all
    select 'prediction' from prediction where prediction_id = $id
    union all
    select 'file' from pull_batch where batch_id = $id
    union all
    select 'misprediction' from misprediction where misprediction_id = $id
    union all
    select 'sample' from sample where sample_id = $id
    union all
    select 'holdout' from holdout where holdout_id = $id
    union all
    select 'failure_case' from failure_case where case_name = $id
)
order by kind
