-- one row per training set that holds the sample
with latest as (
    select attribute, max(running_number) as running_number
    from training_set
    group by attribute
)
select
    v.version,
    v.state,
    epoch_us(v.as_of) as as_of,
    epoch_us(v.known_at) as known_at,
    v.running_number = l.running_number as is_latest,
    m.label,
    m.label_value,
    m.revision_id,
    m.weight,
    m.reason,
    m.fix_id,
    coalesce(m.case_names, []) as case_names,
    m.prediction_id
from training_set_member as m
semi join explained_sample as x on x.sample_id = m.sample_id
inner join training_set as v on v.version = m.version
inner join latest as l on l.attribute = v.attribute
order by v.attribute, v.running_number
