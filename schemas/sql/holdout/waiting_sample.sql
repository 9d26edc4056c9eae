-- one row per sample on which a freeze may have to wait: members of hold-outs that are not frozen, or of one that is
-- being drawn (planned_member), samples whose fix a label of one comes from, and all of undecided lots
create or replace temp table waiting_sample as
with waiting as (
    select m.sample_id
    from holdout_member as m
    anti join holdout_freeze as z on z.holdout_id = m.holdout_id
    union
    select sample_id from planned_member
)
select sample_id from waiting
union
select f.sample_id
from label_revision as r
semi join waiting as w on w.sample_id = r.sample_id
inner join label_fix as f on f.fix_id = r.fix_id
union
select f.sample_id
from audit_lot_fix as k
inner join label_fix as f on f.fix_id = k.fix_id
anti join audit_verdict as v on v.lot_id = k.lot_id
where exists (select 1 from waiting)
