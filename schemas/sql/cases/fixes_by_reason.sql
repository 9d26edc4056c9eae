-- one row per reason that a case had for asking, and how the question ended (open: it has not)
with asked as (
    select fix_id, min(reason) as reason
    from fix_request
    where case_name = $case_name
    group by fix_id
)
select a.reason, coalesce(e.outcome, 'open') as outcome, count(*) as fix_count
from asked as a
left join fix_end as e on e.fix_id = a.fix_id
group by a.reason, coalesce(e.outcome, 'open')
order by a.reason, outcome
