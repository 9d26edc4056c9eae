-- one row per case whose every target in a candidate's latest verdict passed, and that is not cured already
with latest as (
    select *
    from gate_decision
    where candidate = $candidate
    qualify known_at = max(known_at) over ()
),
targets as (
    select regexp_replace(criterion, '^(target|figure):', '') as case_name, verdict
    from latest
    where criterion like 'target:%' or criterion like 'figure:%'
),
present as (
    select case_name, arg_max(state, known_at) as state
    from case_state
    group by case_name
)
select t.case_name
from targets as t
semi join failure_case as c on c.case_name = t.case_name
anti join present as p on p.case_name = t.case_name and p.state = 'cured'
group by t.case_name
having bool_and(t.verdict = 'passed')
order by t.case_name
