-- one row per criterion of a candidate's latest verdict, the verdict itself last;
-- none if a hold-out was frozen after it, another model signed off, or the gate's settings are others now
with latest as (
    select max(known_at) as known_at
    from gate_decision
    where candidate = $candidate
),
later as (
    select z.known_at
    from holdout_freeze as z
    inner join holdout as h on h.holdout_id = z.holdout_id
    where h.attribute = $attribute
    union all
    select known_at
    from sign_off
    where attribute = $attribute and decision in ('import', 'accept') and model_version <> $candidate
)
select
    criterion, baseline, holdout_id, estimate, low, high, margin, p_value, verdict, reason
from gate_decision
where candidate = $candidate
    and judged_by = $judged_by
    and known_at = (select known_at from latest)
    and not exists (select 1 from later where later.known_at > (select known_at from latest))
order by criterion = 'overall', criterion, coalesce(baseline, '')
