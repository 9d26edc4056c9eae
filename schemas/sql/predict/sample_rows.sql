-- one row per sample, as a trainer is given it
select
    sample_id, features, media_uri, context, recording_id as group_id, recording_id, object_id,
    observed_at, unit_id, embedding
from sample_row
order by sample_id
