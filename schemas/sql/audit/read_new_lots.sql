-- one row per lot that is to be formed
select distinct lot_id, attribute, source, lot_size
from new_lot_fix
order by attribute, source, lot_id
