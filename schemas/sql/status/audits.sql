-- one row per attribute with audited lots: those without a verdict, their questions that nobody has answered with more
-- than unsure, and the lots that failed, with the moment of the latest
with answered as (
    select distinct fix_id from fix_answer where answer <> 'unsure'
),
waiting as (
    select i.lot_id, count(*) as waiting_count
    from audit_item as i
    anti join answered as a on a.fix_id = i.fix_id
    group by i.lot_id
)
select
    l.attribute,
    count(*) filter (where v.lot_id is null) as open_lots,
    coalesce(sum(w.waiting_count) filter (where v.lot_id is null), 0)::bigint as waiting_count,
    count(*) filter (where v.verdict = 'failed') as failed_lots,
    count(*) filter (where v.verdict = 'passed') as passed_lots
from audit_lot as l
left join audit_verdict as v on v.lot_id = l.lot_id
left join waiting as w on w.lot_id = l.lot_id
group by l.attribute
order by l.attribute
