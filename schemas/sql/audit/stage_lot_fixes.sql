-- one row per fix of a lot that is to be formed: full lots, and with $is_closing also what is left over
create or replace temp table new_lot_fix as
with cut as (
    select *, place // $lot_size as chunk
    from standing_candidate
),
lots as (
    select
        attribute,
        source,
        chunk,
        make_lot_id(attribute, source, list(fix_id)) as lot_id,
        count(*) as lot_size
    from cut
    group by attribute, source, chunk
)
select l.lot_id, l.lot_size, l.attribute, l.source, l.chunk, c.fix_id, c.sample_id
from lots as l
inner join cut as c on c.attribute = l.attribute and c.source = l.source and c.chunk = l.chunk
where l.lot_size = $lot_size or ($is_closing and l.lot_size >= 2)
