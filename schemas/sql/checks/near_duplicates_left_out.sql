-- one row per sample that was left out because it lies too near a hold-out sample
select sample_id, format('{} samples are left out: they lie too near a hold-out sample', count(*) over ()) as observed
from left_out
where why = 'near_duplicate'
