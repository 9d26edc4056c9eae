-- one row at most: the lot of a label fix at the moment that is shown, and what its audit said
select lot_id, verdict
from fix_lot
where fix_id = $fix_id
