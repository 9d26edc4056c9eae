-- one row per question about the sample: a label fix, a known item, or an audit of a fix; how it ended
with answered as (
    select fix_id, count(*) as answer_count
    from fix_answer
    group by fix_id
),
asked as (
    select fix_id, sample_id, 'fix' as kind, attempt, reason, guideline_sha256, null as audited_fix_id, known_at
    from label_fix
    union all
    select fix_id, sample_id, 'known', attempt, null, null, null, known_at
    from known_item
    union all
    select fix_id, sample_id, 'audit', attempt, null, null, audited_fix_id, known_at
    from audit_item
),
audits as (
    select i.fix_id, i.lot_id, v.verdict
    from audit_item as i
    left join audit_verdict as v on v.lot_id = i.lot_id
)
select
    q.fix_id,
    q.kind,
    q.attempt,
    q.reason,
    q.guideline_sha256,
    q.audited_fix_id,
    epoch_us(q.known_at) as known_at,
    coalesce(a.answer_count, 0) as answer_count,
    e.outcome,
    e.revision_id,
    epoch_us(e.known_at) as ended_at,
    coalesce(u.lot_id, k.lot_id) as lot_id,
    coalesce(u.verdict, k.verdict) as lot_verdict,
    case q.kind
        when 'fix' then e.fix_id is null
        when 'audit' then u.verdict is null
        else true
    end as is_open
from asked as q
semi join explained_sample as x on x.sample_id = q.sample_id
left join fix_end as e on e.fix_id = q.fix_id
left join answered as a on a.fix_id = q.fix_id
left join fix_lot as k on k.fix_id = q.fix_id
left join audits as u on u.fix_id = q.fix_id
order by q.known_at, q.attempt
