-- one row per lot: its plan, what its audit has found so far, and how many of its questions wait for an answer
with counted as (
    select
        lot_id,
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
    case when v.verdict is null then coalesce(c.to_answer, l.sample_size) else 0 end as to_answer,
    v.verdict
from audit_lot as l
left join audit_verdict as v on v.lot_id = l.lot_id
left join counted as c on c.lot_id = l.lot_id
order by l.attribute, l.source, l.lot_number
