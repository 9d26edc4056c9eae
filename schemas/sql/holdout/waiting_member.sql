-- one row per member of a case's latest hold-out that is not frozen: its label, and how it stands: `labelled`, `ended`
-- without a label, `missing`, `restricted` (missing, and nobody may be asked about it: unaskable_sample); where lots are
-- audited a label may be `unaudited`, or `beyond_audit` (nobody may be asked for its audit), else these are `labelled` too
create or replace temp view waiting_member as
with latest as (
    select attribute, case_name, arg_max(holdout_id, version) as holdout_id
    from holdout
    group by attribute, case_name
),
ended as (
    select f.sample_id, arg_max(o.outcome, f.attempt) as outcome
    from label_fix as f
    inner join fix_outcome as o on o.fix_id = f.fix_id
    where o.outcome in ('ambiguous', 'unusable', 'settled')
    group by f.sample_id
),
audit_answer as (
    select distinct i.lot_id
    from audit_item as i
    inner join fix_answer as a on a.fix_id = i.fix_id
    where a.answer <> 'unsure'
),
stuck_lot as (
    select k.lot_id
    from audit_lot_fix as k
    inner join label_fix as f on f.fix_id = k.fix_id
    left join unaskable_sample as u on u.sample_id = f.sample_id
    anti join audit_verdict as v on v.lot_id = k.lot_id
    anti join audit_answer as a on a.lot_id = k.lot_id
    group by k.lot_id
    having bool_and(u.sample_id is not null)
)
select
    h.holdout_id,
    h.case_name,
    h.attribute,
    m.sample_id,
    l.revision_id,
    case
        when l.revision_id is null and coalesce(e.outcome, '') in ('ambiguous', 'unusable') then 'ended'
        when l.revision_id is null then if(u.sample_id is null, 'missing', 'restricted')
        when l.fix_id is null or coalesce(k.verdict, 'open') = 'passed' then 'labelled'
        when s.lot_id is not null or (k.lot_id is null and b.sample_id is not null) then 'beyond_audit'
        else 'unaudited'
    end as state
from holdout as h
semi join latest as t on t.holdout_id = h.holdout_id
inner join holdout_member as m on m.holdout_id = h.holdout_id
left join current_label as l on l.sample_id = m.sample_id
left join ended as e on e.sample_id = m.sample_id
left join unaskable_sample as u on u.sample_id = m.sample_id
left join fix_lot as k on k.fix_id = l.fix_id
left join stuck_lot as s on s.lot_id = k.lot_id
left join label_fix as f on f.fix_id = l.fix_id
left join unaskable_sample as b on b.sample_id = f.sample_id
anti join holdout_freeze as z on z.holdout_id = h.holdout_id
