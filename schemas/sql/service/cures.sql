-- one row per failure case that was ever cured: its state, since when it counts as cured (the first time since it was
-- last opened before its last cure), and the models that were accepted with that or later: neither those by whose
-- sign-off it was reopened, nor old ones that were accepted before the cure and did not cure it
with last_cure as (
    select case_name, max(known_at) as known_at
    from case_state
    where state = 'cured'
    group by case_name
),
opened as (
    select s.case_name, max(s.known_at) as known_at
    from case_state as s
    inner join last_cure as c on c.case_name = s.case_name and s.known_at < c.known_at
    where s.state not in ('cured', 'watched')
    group by s.case_name
),
cured as (
    select s.case_name, min(s.known_at) as cured_at
    from case_state as s
    left join opened as o on o.case_name = s.case_name
    where s.state = 'cured' and (o.known_at is null or s.known_at > o.known_at)
    group by s.case_name
),
latest as (
    select case_name, arg_max(attribute, known_at) as attribute
    from failure_case
    group by case_name
),
states as (
    select case_name, arg_max(state, known_at) as state
    from case_state
    group by case_name
),
accepted as (
    select o.attribute, o.model_version, o.known_at, min(o.known_at) over model as first_at
    from sign_off as o
    where o.decision in ('import', 'accept')
    window model as (partition by o.attribute, o.model_version)
)
select
    c.case_name,
    l.attribute,
    s.state,
    c.cured_at,
    list(distinct o.model_version) as models
from cured as c
inner join latest as l on l.case_name = c.case_name
inner join states as s on s.case_name = c.case_name
inner join accepted as o on o.attribute = l.attribute and o.known_at >= c.cured_at
left join case_state as w on w.case_name = c.case_name and w.known_at = o.known_at
where w.state is distinct from 'reopened' and (o.first_at >= c.cured_at or w.state is not distinct from 'cured')
group by c.case_name, l.attribute, s.state, c.cured_at
order by c.case_name
