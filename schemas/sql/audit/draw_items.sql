-- one row per fix that is drawn from a planned lot: the first of an order by hash that nobody can choose
create or replace temp table new_item as
select f.lot_id, f.fix_id as audited_fix_id, f.sample_id
from new_lot_fix as f
inner join planned_lot as p on p.lot_id = f.lot_id
qualify row_number() over (partition by f.lot_id order by sha256(f.lot_id || chr(31) || f.fix_id))
    <= p.sample_size
