-- one row per label fix in a lot: the lot, and what its audit said (null: it is not decided yet)
select k.fix_id, k.lot_id, v.verdict
from audit_lot_fix as k
left join audit_verdict as v on v.lot_id = k.lot_id
