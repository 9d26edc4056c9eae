-- one row per lot: its plan, what its audit has found so far, and how many of its questions wait for an
-- answer, and how many of its sample nobody may be asked (any more)
with counted as (
    select
        lot_id,
        count(*) as item_count,
        count(*) filter (where not is_answered) as to_answer,
        count(*) filter (where is_answered and is_wrong) as wrong_count
    from judged_item
    group by lot_id
)
select
    l.attribute,
    l.source,
    l.lot_number,
    l.lot_id,
    l.lot_size,
    l.aql,
    l.level,
    l.inspection,
    l.sample_size,
    l.accept_at_most,
    l.reject_from,
    coalesce(v.wrong_count, c.wrong_count, 0) as wrong_count,
    case when v.verdict is null then coalesce(c.to_answer, 0) else 0 end as to_answer,
    v.verdict,
    case when v.verdict is null then greatest(l.sample_size - coalesce(c.item_count, 0), 0) else 0 end as unaskable
from audit_lot as l
left join audit_verdict as v on v.lot_id = l.lot_id
left join counted as c on c.lot_id = l.lot_id
order by l.attribute, l.source, l.lot_number
