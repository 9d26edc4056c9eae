-- one row per case whose every target in a candidate's latest verdict passed
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
)
select t.case_name
from targets as t
semi join failure_case as c on c.case_name = t.case_name
group by t.case_name
having bool_and(t.verdict = 'passed')
order by t.case_name
