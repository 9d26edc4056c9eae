-- one row per training row
insert into training_set_member
select
    $version, sample_id, group_id, revision_id, label, label_value, weight, reason, fix_id,
    case_name, case_names, prediction_id
from assembled
order by sample_id
