-- one row per question and picture of its object's recording: those nearest in time, in order of time
with asked as (
    select c.fix_id, k.recording_id, k.object_id, k.observed_at
    from chosen_fix as c
    inner join asked_sample as k on k.sample_id = c.sample_id
),
pictures as (
    select
        a.fix_id,
        s.media_uri,
        arg_min(s.observed_at, abs(epoch_us(s.observed_at) - epoch_us(a.observed_at))) as observed_at,
        min(abs(epoch_us(s.observed_at) - epoch_us(a.observed_at))) as apart
    from asked as a
    inner join sample as s on s.recording_id = a.recording_id and s.object_id = a.object_id
    where s.media_uri is not null
    group by a.fix_id, s.media_uri
),
nearest as (
    select *
    from pictures
    qualify row_number() over (partition by fix_id order by apart, observed_at, media_uri) <= $at_most
)
select
    n.fix_id,
    n.media_uri,
    (epoch_us(n.observed_at) - epoch_us(a.observed_at)) / 1e6 as offset_seconds
from nearest as n
inner join asked as a on a.fix_id = n.fix_id
order by n.fix_id, n.observed_at, n.media_uri
