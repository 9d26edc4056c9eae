-- one row per fix that an audit has refused, now or earlier, and that no later question about its sample has
-- ended since
create or replace temp table refused_fix as
with ended as (
    select fix_id, arg_max(outcome, known_at) as outcome
    from (
        select fix_id, outcome, known_at from fix_outcome
        union all
        select fix_id, outcome, known_at from audited_outcome
    )
    group by fix_id
),
refused as (
    select e.fix_id
    from ended as e
    where e.outcome = 'lot_failed'
    union
    select e.fix_id
    from ended as e
    semi join audit_item as i on i.audited_fix_id = e.fix_id
    where e.outcome = 'withdrawn'
),
later as (
    select f.fix_id
    from refused as r
    inner join label_fix as f on f.fix_id = r.fix_id
    inner join label_fix as g on g.sample_id = f.sample_id and g.attempt > f.attempt
    semi join ended as e on e.fix_id = g.fix_id
)
select f.fix_id, f.sample_id, f.attribute, f.priority
from refused as r
inner join label_fix as f on f.fix_id = r.fix_id
anti join later as x on x.fix_id = r.fix_id
