-- one row per training row with its sample's content: what a check of the user's own may name
create or replace temp view training_row as
select a.*, k.recording_id, k.object_id, k.observed_at, k.unit_id, k.media_uri, k.context
from assembled as a
inner join known_sample as k on k.sample_id = a.sample_id
