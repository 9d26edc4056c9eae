-- one row per served sample observed in the window: its track, and the track's week (that of its first sample here)
create or replace temp table served_track as
with named as (
    select distinct sample_id, recording_id, object_id, observed_at
    from sample
    where attribute = $attribute and observed_at >= $first_day and observed_at < $last_day
)
select
    n.sample_id,
    n.recording_id,
    n.object_id,
    cast(min(date_trunc('week', n.observed_at)) over track as date) as week,
    count(*) over track as track_sample_count
from named as n
semi join prediction as p
    on p.sample_id = n.sample_id and p.attribute = $attribute and p.role = 'served'
        and p.observed_at >= $first_day and p.observed_at < $last_day
window track as (partition by n.recording_id, n.object_id)
