-- rows of training sets keep version, sample, revision, weight and reason, nothing that tells of the recording
update training_set_member
set
    group_id = '',
    label = null,
    label_value = null,
    fix_id = null,
    case_name = null,
    case_names = null,
    prediction_id = null
where sample_id in (select sample_id from erased_sample)
