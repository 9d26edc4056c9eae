-- one row per track that may be drawn now, whether it is or not
insert into eligible_once
select distinct $attribute, week, part, recording_id, object_id
from eligible_track
