-- one row per verdict on a lot and per resumption, in the order in which they came: what the switching rules go by
select attribute, source, inspection, verdict
from (
    select l.attribute, l.source, l.inspection, v.verdict, v.known_at, l.lot_number
    from audit_verdict as v
    inner join audit_lot as l on l.lot_id = v.lot_id
    union all
    select attribute, source, '', 'resumed', known_at, 0
    from audit_resumption
)
order by known_at, lot_number
