-- one row per attribute: its incumbent, its latest training set, its latest candidate and what was said of it
with names as (
    select attribute from attribute_definition
    union
    select attribute from incumbent
),
versions as (
    select
        attribute,
        arg_max(version, known_at) as version,
        arg_max(state, known_at) as state,
        arg_max(row_count, known_at) as row_count,
        epoch_us(arg_max(as_of, known_at)) as as_of
    from training_set
    group by attribute
),
candidates as (
    select attribute, arg_max(model_version, known_at) as model_version
    from model
    where role = 'candidate'
    group by attribute
),
verdicts as (
    select candidate, arg_max(verdict, known_at) as verdict, arg_max(reason, known_at) as reason
    from gate_decision
    where criterion = 'overall'
    group by candidate
),
decisions as (
    select model_version, arg_max(decision, known_at) as decision
    from sign_off
    group by model_version
)
select
    n.attribute,
    i.model_version as incumbent,
    v.version as latest_version,
    v.state as latest_version_state,
    v.row_count as latest_version_rows,
    v.as_of as latest_version_as_of,
    c.model_version as latest_candidate,
    g.verdict as latest_verdict,
    g.reason as verdict_reason,
    d.decision as sign_off
from names as n
left join incumbent as i on i.attribute = n.attribute
left join versions as v on v.attribute = n.attribute
left join candidates as c on c.attribute = n.attribute
left join verdicts as g on g.candidate = c.model_version
left join decisions as d on d.model_version = c.model_version
order by n.attribute
