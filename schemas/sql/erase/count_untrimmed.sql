-- one row: how many rows of training sets still tell of the samples
select count(*)
from training_set_member
where sample_id in (select sample_id from erased_sample)
    and (group_id <> '' or coalesce(label, cast(label_value as varchar), fix_id, prediction_id) is not null)
