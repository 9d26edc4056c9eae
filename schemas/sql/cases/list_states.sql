-- one row per failure case: its latest state, and what decides whether a round can follow
with latest as (
    select case_name, arg_max(attribute, known_at) as attribute
    from failure_case
    group by case_name
),
states as (
    select case_name, arg_max(state, known_at) as state, arg_max(decided_by, known_at) as decided_by
    from case_state
    group by case_name
)
select
    l.case_name,
    l.attribute,
    s.state,
    n.settled > 0 and z.holdout_id is not null as is_ready
from latest as l
left join states as s on s.case_name = l.case_name
left join case_counts as n on n.case_name = l.case_name
left join frozen_holdout as z on z.case_name = l.case_name and z.attribute = l.attribute
order by l.case_name
