-- one row per track of the recording, or of its object, that could be drawn for the watch
create or replace temp table erased_track as
select distinct recording_id, object_id
from watch_track
where recording_id = $recording_id and ($object_id is null or object_id = $object_id)
