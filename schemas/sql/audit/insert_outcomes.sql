-- one row per fix whose label counts no longer
insert into fix_outcome by name
with ended as (
    select fix_id, arg_max(outcome, known_at) as outcome
    from fix_outcome
    group by fix_id
)
select a.fix_id, a.outcome, a.revision_id, $known_at as known_at
from audited_outcome as a
inner join ended as e on e.fix_id = a.fix_id
where e.outcome = 'settled'
order by a.fix_id
