-- one row per check of a version, the strict ones first; `offending_rows` is null where the check was about the whole set
with named as (
    select distinct check_name
    from check_failure
    where version = $version
)
select
    q.check_name,
    q.requirement,
    q.passed,
    q.observed,
    case when q.passed or n.check_name is not null then q.failing_count end as offending_rows
from quality_check as q
left join named as n on n.check_name = q.check_name
where q.version = $version
order by q.requirement, q.check_name
