-- one row: what an attribute's label fixes cost between two moments, each question once, and the answers beside them
-- that tested the annotators (known items, audits)
with answers as (
    select fix_id, seconds
    from fix_answer
    where known_at > $since and known_at <= $until
),
tests as (
    select fix_id from known_item where attribute = $attribute
    union
    select i.fix_id
    from audit_item as i
    inner join audit_lot as l on l.lot_id = i.lot_id
    where l.attribute = $attribute
),
fixes as (
    select fix_id, known_at from label_fix where attribute = $attribute
)
select
    (select count(*) from fixes where known_at > $since and known_at <= $until) as asked_count,
    (select count(distinct fix_id) from answers where fix_id in (select fix_id from fixes)) as answered_count,
    (select count(*) from answers where fix_id in (select fix_id from fixes)) as answer_count,
    (select count(seconds) from answers where fix_id in (select fix_id from fixes)) as timed_count,
    (select coalesce(sum(seconds), 0)::double from answers where fix_id in (select fix_id from fixes)) as seconds,
    (select count(*) from answers where fix_id in (select fix_id from tests)) as test_answer_count
