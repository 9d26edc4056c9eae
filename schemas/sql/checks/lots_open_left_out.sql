-- one row per sample that was left out because its label is in no lot that has passed its audit
select sample_id, format('{} samples are left out: their label is in no lot that has passed its audit', count(*) over ()) as observed
from left_out
where why = 'lot_open'
