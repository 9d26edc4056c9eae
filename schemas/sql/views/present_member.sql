-- one row per case and sample that belongs to it under the case's latest definition
with latest as (
    select
        case_name,
        arg_max(attribute, known_at) as attribute,
        arg_max(definition_sha256, known_at) as definition_sha256
    from failure_case
    group by case_name
)
select
    m.case_name,
    l.attribute,
    m.sample_id,
    arg_min(m.found_by, m.prediction_id) as found_by,
    max(m.score) as score,
    min(m.prediction_id) as prediction_id
from case_member as m
inner join latest as l on l.case_name = m.case_name and l.definition_sha256 = m.definition_sha256
group by m.case_name, l.attribute, m.sample_id
