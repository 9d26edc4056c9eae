-- one row per drawn fix of a lot that is stored, and that is no item of it yet: a question with an id like any other's
insert into audit_item by name
with fresh as (
    select n.*
    from new_item as n
    semi join audit_lot as l on l.lot_id = n.lot_id
    anti join audit_item as i on i.lot_id = n.lot_id and i.audited_fix_id = n.audited_fix_id
    anti join audit_verdict as v on v.lot_id = n.lot_id
),
attempts as (
    select a.sample_id, max(a.attempt) as attempt
    from asked_attempt as a
    semi join fresh as f on f.sample_id = a.sample_id
    group by a.sample_id
),
numbered as (
    select
        f.*,
        coalesce(a.attempt, 0) + row_number() over (
            partition by f.sample_id order by f.lot_id, f.audited_fix_id
        ) as attempt
    from fresh as f
    left join attempts as a on a.sample_id = f.sample_id
)
select
    lot_id,
    make_fix_id(sample_id, attempt) as fix_id,
    audited_fix_id,
    sample_id,
    attempt,
    $known_at as known_at
from numbered
order by lot_id, audited_fix_id
