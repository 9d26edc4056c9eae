-- one row per sample and the cases that concern it: the most severe first, then by name
create or replace temp table concerned_case as
with severities as (
    select case_name, arg_max(severity, known_at) as severity
    from failure_case
    group by case_name
),
pairs as (
    select sample_id, case_name from present_member where attribute = $attribute
    union
    select f.sample_id, r.case_name
    from fix_request as r
    inner join label_fix as f on f.fix_id = r.fix_id
    where f.attribute = $attribute and r.case_name is not null and r.reason <> 'holdout'
)
select
    p.sample_id,
    list(
        p.case_name
        order by case v.severity when 'high' then 1 when 'medium' then 2 else 3 end, p.case_name
    ) as case_names
from pairs as p
left join severities as v on v.case_name = p.case_name
group by p.sample_id
