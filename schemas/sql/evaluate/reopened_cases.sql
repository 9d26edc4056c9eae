-- one row per cured or watched case that a candidate is no cure of: a target failed in its latest verdict, or it was
-- accepted before the cure and no verdict says that its targets pass
with latest as (
    select *
    from gate_decision
    where candidate = $candidate
    qualify known_at = max(known_at) over ()
),
targets as (
    select
        regexp_replace(criterion, '^(target|figure):', '') as case_name,
        bool_or(verdict = 'failed') as has_failed,
        bool_and(verdict = 'passed') as has_passed,
        string_agg(reason, '; ' order by criterion) filter (where verdict <> 'passed') as reason
    from latest
    where criterion like 'target:%' or criterion like 'figure:%'
    group by all
),
present as (
    select
        case_name,
        arg_max(state, known_at) as state,
        max(known_at) filter (where state = 'cured') as cured_at
    from case_state
    where known_at < $now
    group by case_name
),
named as (
    select case_name, arg_max(attribute, known_at) as attribute
    from failure_case
    group by case_name
),
first_accepted as (
    select attribute, min(known_at) as known_at
    from sign_off
    where model_version = $candidate and decision in ('import', 'accept')
    group by attribute
)
select
    p.case_name,
    $candidate || ' was accepted'
        || case when a.known_at < p.cured_at then ', as it was before the cure of '
            || strftime(p.cured_at, '%Y-%m-%d') else '' end
        || ': ' || coalesce(t.reason, 'no verdict says that it meets the case''s target')
from present as p
inner join named as n on n.case_name = p.case_name
inner join first_accepted as a on a.attribute = n.attribute
left join targets as t on t.case_name = p.case_name
where p.state in ('cured', 'watched')
    and not coalesce(t.has_passed, false)
    and (coalesce(t.has_failed, false) or a.known_at < p.cured_at)
order by p.case_name
