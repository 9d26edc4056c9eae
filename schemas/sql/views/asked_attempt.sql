-- one row per sample and time it was asked: as a label fix, as a known item, or to audit a fix; they share one
-- count of attempts, so that nobody can tell a known item or an audit by its id
select fix_id, sample_id, attribute, attempt from label_fix
union all
select fix_id, sample_id, attribute, attempt from known_item
union all
select i.fix_id, i.sample_id, l.attribute, i.attempt
from audit_item as i
inner join audit_lot as l on l.lot_id = i.lot_id
