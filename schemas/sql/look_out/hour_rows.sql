-- one row per attribute with an hour among the 24 before its latest one in which far more or fewer tracks were
-- predicted (steps of one are not independent) than in the same hour of previous weeks, by the clock of $zone, since a
-- fleet keeps people's hours; is_known is false where fewer than four weeks can be compared; an hour that a change of
-- clocks leaves out, or has twice, is not judged
-- (band: median, and $deviations times the greatest of the scaled median absolute deviation, the root of the median,
-- which is chance, and a tenth of the median; the factor 1.4826: Rousseeuw & Croux 1993, from memory)
with hours as (
    select
        p.attribute,
        date_trunc('hour', timezone($zone, p.observed_at)) as hour,
        count(distinct (s.recording_id, s.object_id)) as track_count
    from prediction as p
    inner join sample as s on s.sample_id = p.sample_id
    where p.role = 'served' and p.observed_at >= $first::timestamptz and p.observed_at < $now::timestamptz
        and s.observed_at >= $first::timestamptz and s.observed_at < $now::timestamptz
    group by all
),

spans as (
    select attribute, min(hour) as first_hour, max(hour) as last_hour
    from hours
    where list_contains($attributes::varchar[], attribute)
    group by attribute
    having max(hour) >= timezone($zone, $recent::timestamptz)
),

wanted as (
    select s.attribute, s.last_hour - to_hours(h.back) as hour, w.week, s.first_hour
    from spans as s
    cross join (select unnest(range(1, 25)) as back) as h
    cross join (select unnest(range(0, 9)) as week) as w
    where
        timezone($zone, timezone($zone, s.last_hour - to_hours(h.back))) = s.last_hour - to_hours(h.back)
        and timezone($zone, timezone($zone, s.last_hour - to_hours(h.back)) - interval 1 hour)
        <> s.last_hour - to_hours(h.back)
),

compared as (
    select w.attribute, w.hour, w.week, coalesce(h.track_count, 0) as track_count
    from wanted as w
    left join hours as h on h.attribute = w.attribute and h.hour = w.hour - to_days(cast(7 * w.week as integer))
    where w.week = 0 or w.hour - to_days(cast(7 * w.week as integer)) >= w.first_hour
),

usual as (
    select
        attribute,
        hour,
        any_value(track_count) filter (where week = 0) as track_count,
        count(*) filter (where week > 0) as weeks,
        median(track_count) filter (where week > 0) as middle,
        mad(track_count) filter (where week > 0) as spread
    from compared
    group by attribute, hour
),

banded as (
    select *, $deviations * greatest(1.4826 * spread, sqrt(greatest(middle, 1)), 0.1 * middle) as width
    from usual
),

judged as (
    select *, weeks >= 4 as is_known, weeks >= 4 and abs(track_count - middle) > width as is_outside
    from banded
)

select
    attribute as subject,
    case when bool_or(is_known) then format(
        '{} of 24 hours have an unusual number of tracks; the furthest, {} {}, has {}, usual are {:.0f} to {:.0f} '
            || '(that hour in {} weeks); look at what was delivered: turnrow sql "select * from pull_batch '
            || 'order by known_at desc"',
        count(*) filter (where is_outside),
        strftime(arg_max(hour, abs(track_count - middle) / width) filter (where is_outside), '%Y-%m-%d %H:00'),
        $zone,
        arg_max(track_count, abs(track_count - middle) / width) filter (where is_outside),
        greatest(arg_max(middle - width, abs(track_count - middle) / width) filter (where is_outside), 0),
        arg_max(middle + width, abs(track_count - middle) / width) filter (where is_outside),
        arg_max(weeks, abs(track_count - middle) / width) filter (where is_outside)
    ) else 'fewer than four weeks of logs' end as message,
    bool_or(is_known) as is_known
from judged
group by attribute
having bool_or(is_outside) or not bool_or(is_known)
order by attribute
