-- one row per sample of a track that may be drawn now: tracks that could not be in any earlier draw, of weeks that are
-- not closed. `chance` is a hash of the track, evenly between 0 and 1; a track is in where it lies below the draw's
-- probability: the wanted number by all tracks of the week that are known so far, and never above an earlier draw's
create or replace temp table eligible_track as
with drawn as (
    select
        week,
        max(part) as part,
        min(inclusion_probability) as probability,
        sum(track_count) as track_count
    from watch_draw
    where attribute = $attribute
    group by week
),
been as (
    select w.recording_id, w.object_id
    from watch_track as w
    semi join served_track as t on t.recording_id = w.recording_id and t.object_id = w.object_id
    where w.attribute = $attribute
),
new_track as (
    select
        t.*,
        coalesce(d.part, 0) + 1 as part,
        coalesce(d.probability, 1.0) as at_most,
        coalesce(d.track_count, 0) as known_before
    from served_track as t
    left join drawn as d on d.week = t.week
    anti join been as b on b.recording_id = t.recording_id and b.object_id = t.object_id
    where t.week not in (select week from watch_close where attribute = $attribute)
),
sizes as (
    select week, count(distinct (recording_id, object_id)) as track_count
    from new_track
    group by week
)
select
    n.*,
    z.track_count,
    least(n.at_most, $per_week / (n.known_before + z.track_count)) as inclusion_probability,
    cast('0x' || left(sha256(array_to_string(
        ['watch', $attribute, cast(n.week as varchar), n.recording_id, n.object_id], chr(31)
    )), 12) as bigint) / 281474976710656.0 as chance
from new_track as n
inner join sizes as z on z.week = n.week
