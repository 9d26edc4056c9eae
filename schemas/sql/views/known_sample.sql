-- one row per sample: all that any file said of it
select
    sample_id,
    any_value(recording_id) as recording_id,
    any_value(object_id) as object_id,
    any_value(observed_at) as observed_at,
    any_value(attribute) as attribute,
    any_value(unit_id) as unit_id,
    any_value(media_uri) as media_uri,
    any_value(context) as context,
    arg_min(batch_id, known_at) as batch_id,
    min(known_at) as known_at
from sample
group by sample_id
