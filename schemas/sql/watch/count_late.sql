-- one row: tracks that came in since the attribute's last draw and could not be drawn, then or now, their week being
-- closed or too long ago
with began as (
    select max(seen_until) as seen_until, min(week) as week
    from watch_draw
    where attribute = $attribute
),
late as (
    select p.sample_id, p.observed_at
    from prediction as p
    cross join began as b
    where p.attribute = $attribute and p.role = 'served' and p.known_at > b.seen_until
        and p.observed_at >= cast(b.week as timestamptz) and p.observed_at < $last_day
),
closed as (
    select week
    from watch_close
    where attribute = $attribute
),
late_track as (
    select distinct s.recording_id, s.object_id
    from late as l
    inner join sample as s on s.sample_id = l.sample_id
    where l.observed_at < $first_day
        or cast(date_trunc('week', l.observed_at) as date) in (select week from closed)
),
been as (
    select w.recording_id, w.object_id
    from watch_track as w
    semi join late_track as l on l.recording_id = w.recording_id and l.object_id = w.object_id
    where w.attribute = $attribute
)
select count(*)
from late_track as l
anti join been as b on b.recording_id = l.recording_id and b.object_id = l.object_id
anti join eligible_once as e
    on e.attribute = $attribute and e.recording_id = l.recording_id and e.object_id = l.object_id
