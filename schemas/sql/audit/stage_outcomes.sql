-- one row per settled fix whose label counts no longer: all of a failed lot (`lot_failed`), and of a passed lot
-- those that the audit found wrong (`withdrawn`); stamped as later than all that is known
create or replace temp table audited_outcome as
with refused as (
    select k.fix_id, 'lot_failed' as outcome
    from new_verdict as v
    inner join audit_lot_fix as k on k.lot_id = v.lot_id
    where v.verdict = 'failed'
    union all
    select j.audited_fix_id, 'withdrawn'
    from new_verdict as v
    inner join judged_item as j on j.lot_id = v.lot_id
    where v.verdict = 'passed' and j.is_answered and j.is_wrong
)
select
    r.fix_id,
    r.outcome,
    cast(null as varchar) as revision_id,
    timestamptz '9999-12-31 00:00:00+00' as known_at
from refused as r
inner join fix_end as e on e.fix_id = r.fix_id
where e.outcome = 'settled'
