-- one row per undecided lot that its answers decide: refused as soon as too many are wrong, passed when all are
-- answered
create or replace temp table new_verdict as
with counted as (
    select
        lot_id,
        count(*) as item_count,
        count(*) filter (where is_answered) as answered,
        count(*) filter (where is_answered and is_wrong) as wrong_count
    from judged_item
    group by lot_id
)
select
    c.lot_id,
    case when c.wrong_count <= l.accept_at_most then 'passed' else 'failed' end as verdict,
    c.wrong_count
from counted as c
inner join audit_lot as l on l.lot_id = c.lot_id
where c.wrong_count >= l.reject_from or c.answered = c.item_count
