-- one row per sample that is new, or that a row tells more about
insert into sample
select
    sample_id, recording_id, object_id, observed_at, attribute, unit_id, media_uri, context, batch_id, $known_at
from added_row
where adds_sample
