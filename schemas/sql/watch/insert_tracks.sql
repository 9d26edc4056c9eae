-- one row per track that could be drawn
insert into watch_track
select attribute, week, part, recording_id, object_id, $known_at
from eligible_once
order by attribute, week, recording_id, object_id
