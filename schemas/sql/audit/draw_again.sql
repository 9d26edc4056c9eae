-- one row per fix that is drawn in the place of an item that does not count (judged_item has those that do): the next of
-- the lot in the same order by hash, of those that still stand as settled and may be asked about
create or replace temp table new_item as
with counted as (
    select lot_id, count(*) as item_count
    from judged_item
    group by lot_id
),
short as (
    select l.lot_id, l.sample_size - coalesce(c.item_count, 0) as wanted
    from audit_lot as l
    left join counted as c on c.lot_id = l.lot_id
    anti join audit_verdict as v on v.lot_id = l.lot_id
    where list_contains($attributes, l.attribute)
)
select s.lot_id, k.fix_id as audited_fix_id, f.sample_id
from short as s
inner join audit_lot_fix as k on k.lot_id = s.lot_id
inner join label_fix as f on f.fix_id = k.fix_id
inner join fix_end as e on e.fix_id = k.fix_id and e.outcome = 'settled'
anti join restricted_sample as r on r.sample_id = f.sample_id
anti join audit_item as i on i.lot_id = s.lot_id and i.audited_fix_id = k.fix_id
where s.wanted > 0
qualify row_number() over (partition by s.lot_id order by sha256(s.lot_id || chr(31) || k.fix_id)) <= s.wanted
