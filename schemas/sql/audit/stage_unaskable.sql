-- one row per audit item of an undecided lot that nobody may be asked any more (restricted_sample)
insert into unaskable_item
select i.fix_id
from audit_item as i
semi join restricted_sample as r on r.sample_id = i.sample_id
anti join audit_verdict as v on v.lot_id = i.lot_id
