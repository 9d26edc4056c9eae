-- one row per sample of the recording, or of its object
create or replace temp table erased_sample as
select distinct sample_id
from sample
where recording_id = $recording_id and ($object_id is null or object_id = $object_id)
