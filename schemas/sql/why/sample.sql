-- one row: the sample, and its label or why it has none
with disputed as (
    select min(because) as because
    from disputed_sample
)
select
    k.sample_id,
    k.recording_id,
    k.object_id,
    epoch_us(k.observed_at) as observed_at,
    k.attribute,
    k.unit_id,
    k.media_uri,
    cast(k.context as varchar) as context,
    epoch_us(k.known_at) as known_at,
    l.label,
    l.label_value,
    l.revision_id,
    d.because as disputed_because
from known_sample as k
cross join disputed as d
left join current_label as l on l.sample_id = k.sample_id
