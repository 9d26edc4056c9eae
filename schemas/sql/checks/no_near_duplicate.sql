-- one row per remaining row that lies too near a hold-out sample
select sample_id
from near_duplicate
