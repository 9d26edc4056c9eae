-- one row per sample that was left out because it lies too near a hold-out sample
select sample_id
from left_out
where why = 'near_duplicate'
