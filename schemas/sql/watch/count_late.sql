-- one row: tracks that came in since the attribute's last draw and are not drawn, their week being closed or too long ago
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
)
select count(distinct (s.recording_id, s.object_id))
from late as l
inner join sample as s on s.sample_id = l.sample_id
where l.observed_at < $first_day
    or cast(date_trunc('week', l.observed_at) as date) in (select week from closed)
