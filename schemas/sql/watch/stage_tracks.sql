-- one row per served sample observed in the window: its track, the track's week (that of its first sample here), and
-- since when the track is known
create or replace temp table served_track as
with served as (
    select sample_id, min(known_at) as known_at
    from prediction
    where attribute = $attribute and role = 'served' and observed_at >= $first_day and observed_at < $last_day
    group by sample_id
),
named as (
    select distinct sample_id, recording_id, object_id, observed_at
    from sample
    where attribute = $attribute and observed_at >= $first_day and observed_at < $last_day
)
select
    n.sample_id,
    n.recording_id,
    n.object_id,
    cast(min(date_trunc('week', n.observed_at)) over track as date) as week,
    min(s.known_at) over track as first_known,
    count(*) over track as track_sample_count
from named as n
inner join served as s on s.sample_id = n.sample_id
window track as (partition by n.recording_id, n.object_id)
