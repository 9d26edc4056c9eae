-- one row per sample: all that is known of it, and its truth
select
    k.sample_id,
    k.recording_id,
    k.object_id,
    k.observed_at,
    k.attribute,
    k.unit_id,
    k.media_uri,
    k.context,
    l.label as truth,
    l.label_value as truth_value,
    k.batch_id,
    k.known_at
from known_sample as k
left join current_label as l on l.sample_id = k.sample_id
