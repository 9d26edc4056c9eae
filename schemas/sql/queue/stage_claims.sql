-- one row per open case with members: what is left of its part of the week's questions. Half of `per_week` is divided
-- equally among these cases; what was asked for a case since the moment is taken off its part
create or replace temp table case_claim as
with states as (
    select case_name, arg_max(state, known_at) as state
    from case_state
    group by case_name
),
sharing as (
    select distinct m.case_name
    from present_member as m
    inner join states as s on s.case_name = m.case_name
    where s.state in ('open', 'ready', 'reopened')
),
parts as (
    select $per_week // (2 * greatest(1, count(*))) as part
    from sharing
),
asked as (
    select r.case_name, count(distinct r.fix_id) as asked
    from fix_request as r
    inner join label_fix as f on f.fix_id = r.fix_id
    where f.known_at > $since and f.reason not in ('holdout', 'watch')
    group by r.case_name
)
select s.case_name, greatest(0, p.part - coalesce(a.asked, 0)) as claim
from sharing as s
cross join parts as p
left join asked as a on a.case_name = s.case_name
