-- one row per drawn sample
insert into watch_sample
select attribute, week, part, sample_id, inclusion_probability, track_sample_count, $known_at
from drawn_sample
