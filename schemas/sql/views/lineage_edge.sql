-- one row per step of descent: what a thing came from (parent) and the thing (child)
select 'file' as parent_kind, batch_id as parent_id, 'sample' as child_kind, sample_id as child_id
from (
    select batch_id, sample_id from sample
    union
    select batch_id, sample_id from sample_vector
)
union all
select 'file', batch_id, 'prediction', prediction_id from prediction
union all
select 'file', batch_id, 'label_revision', revision_id from label_revision where batch_id is not null
union all
select distinct 'file', batch_id, 'label_fix', fix_id from fix_answer
union all
select 'sample', sample_id, 'prediction', prediction_id from prediction
union all
select 'sample', sample_id, 'label_revision', revision_id from label_revision
union all
select 'model', model_version, 'prediction', prediction_id from prediction
union all
select 'prediction', prediction_id, 'misprediction', misprediction_id from misprediction
union all
select distinct 'misprediction', misprediction_id, 'label_fix', fix_id
from fix_request where misprediction_id is not null
union all
select distinct 'failure_case', case_name, 'label_fix', fix_id from fix_request where case_name is not null
union all
select 'label_fix', fix_id, 'label_revision', revision_id from label_revision where fix_id is not null
union all
select distinct 'label_revision', revision_id, 'training_set', version from training_set_member
union all
select distinct 'prediction', prediction_id, 'training_set', version
from training_set_member where prediction_id is not null
union all
select 'label_revision', revision_id, 'holdout', holdout_id from holdout_label where revision_id is not null
union all
select 'training_set', parent_version, 'training_set', version
from training_set where parent_version is not null
union all
select 'training_set', training_set_version, 'model', model_version
from model where training_set_version is not null
union all
select 'model', parent_version, 'model', model_version from model where parent_version is not null
