-- one row per settled fix that is in no lot, and the people who decided it: the source of its answer
create or replace temp table lot_candidate as
with ended as (
    select fix_id, arg_max(outcome, known_at) as outcome
    from fix_outcome
    group by fix_id
)
select f.fix_id, f.sample_id, f.attribute, o.revision_id, r.decided_by as source, o.known_at as settled_at
from ended as e
inner join fix_outcome as o on o.fix_id = e.fix_id and o.outcome = e.outcome
inner join label_fix as f on f.fix_id = e.fix_id
inner join label_revision as r on r.revision_id = o.revision_id
anti join audit_lot_fix as k on k.fix_id = e.fix_id
where e.outcome = 'settled' and list_contains($attributes, f.attribute)
