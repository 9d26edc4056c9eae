-- one row per flag on a sample looked at again that its rule no longer raises
insert into misprediction_lapse
select m.misprediction_id, m.because, $known_at
from new_lapse as m
anti join misprediction_lapse as x on x.misprediction_id = m.misprediction_id
