-- one row per sample of an undecided lot: those that are audited, and those that could be in their place
create or replace temp table lot_sample as
select distinct f.sample_id
from audit_lot_fix as k
inner join label_fix as f on f.fix_id = k.fix_id
anti join audit_verdict as v on v.lot_id = k.lot_id
