-- one row per undecided lot of which every item that its audit looks at is erased
create or replace temp table emptied_lot as
select i.lot_id
from audit_item as i
left join erased_sample as s on s.sample_id = i.sample_id
anti join audit_verdict as v on v.lot_id = i.lot_id
group by i.lot_id
having count(*) = count(s.sample_id)
