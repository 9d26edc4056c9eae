-- one row per failure case: its latest state, and whether its hold-out is frozen
with latest as (
    select case_name, arg_max(attribute, known_at) as attribute
    from failure_case
    group by case_name
),
states as (
    select case_name, arg_max(state, known_at) as state
    from case_state
    group by case_name
)
select l.case_name, s.state, z.holdout_id is not null as is_frozen
from latest as l
left join states as s on s.case_name = l.case_name
left join frozen_holdout as z on z.case_name = l.case_name and z.attribute = l.attribute
order by l.case_name
