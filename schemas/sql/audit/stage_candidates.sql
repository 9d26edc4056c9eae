-- one row per settled fix that is in no lot, and the people who decided it: the source of its answer
create or replace temp table lot_candidate as
select f.fix_id, f.sample_id, f.attribute, e.revision_id, r.decided_by as source, e.known_at as settled_at
from fix_end as e
inner join label_fix as f on f.fix_id = e.fix_id
inner join label_revision as r on r.revision_id = e.revision_id
anti join audit_lot_fix as k on k.fix_id = e.fix_id
where e.outcome = 'settled' and list_contains($attributes, f.attribute)
