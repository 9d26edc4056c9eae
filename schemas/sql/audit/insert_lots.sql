-- one row per planned lot none of whose fixes got into a lot since it was staged
insert into audit_lot by name
with taken as (
    select f.lot_id
    from new_lot_fix as f
    semi join audit_lot_fix as k on k.fix_id = f.fix_id
),
numbered as (
    select attribute, source, max(lot_number) as lot_number
    from audit_lot
    group by attribute, source
),
fresh as (
    select distinct p.*, f.attribute, f.source, f.chunk, f.lot_size
    from planned_lot as p
    inner join new_lot_fix as f on f.lot_id = p.lot_id
    anti join taken as t on t.lot_id = p.lot_id
)
select
    f.lot_id,
    f.attribute,
    f.source,
    coalesce(n.lot_number, 0) + row_number() over (partition by f.attribute, f.source order by f.chunk)
        as lot_number,
    $aql as aql,
    $level as level,
    f.inspection,
    f.lot_size,
    f.sample_size,
    f.accept_at_most,
    f.reject_from,
    $known_at as known_at
from fresh as f
left join numbered as n on n.attribute = f.attribute and n.source = f.source
