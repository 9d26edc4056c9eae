-- one row per fix of a lot that was formed just now
insert into audit_lot_fix by name
select f.lot_id, f.fix_id
from new_lot_fix as f
semi join audit_lot as l on l.lot_id = f.lot_id
anti join audit_lot_fix as k on k.lot_id = f.lot_id
order by f.lot_id, f.fix_id
