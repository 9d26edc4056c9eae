-- one row per failure case: what it is, its state and its counts
with latest as (
    select
        case_name,
        arg_max(attribute, known_at) as attribute,
        arg_max(severity, known_at) as severity
    from failure_case
    group by case_name
),
states as (
    select case_name, arg_max(state, known_at) as state
    from case_state
    group by case_name
)
select
    l.case_name,
    l.attribute,
    l.severity,
    s.state,
    n.flagged,
    n.queued,
    n.settled,
    n.held_out,
    n.in_training
from latest as l
inner join case_counts as n on n.case_name = l.case_name
left join states as s on s.case_name = l.case_name
order by l.case_name
