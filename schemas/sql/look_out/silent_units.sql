-- one row per unit of the last four weeks of which no log is known for longer than $hours, and for longer than one and
-- a half times its longest pause in these weeks; a single row where all of two units or more have gone silent
-- (is_known is false where a unit was seen in fewer than four hours, or since less than eight days: nobody knows its
-- pauses, a weekend's among them); $laid_up are known to be silent. What only a label file told of says nothing of a
-- unit, so it does not count
with seen as (
    select distinct coalesce(unit_id, '(no unit)') as unit_id, date_trunc('hour', observed_at) as hour
    from sample as s
    semi join pull_batch as b on b.batch_id = s.batch_id and b.kind = 'predictions'
    where observed_at >= $first::timestamptz and observed_at < $now::timestamptz
        and not list_contains($laid_up::varchar[], coalesce(unit_id, '(no unit)'))
),

paused as (
    select unit_id, hour, date_diff('hour', lag(hour) over (partition by unit_id order by hour), hour) - 1 as pause
    from seen
),

units as (
    select
        unit_id,
        max(hour) as last_hour,
        coalesce(max(pause), 0) as longest,
        count(*) >= 4 and min(hour) <= $now::timestamptz - interval 8 days as is_known,
        date_diff('minute', max(hour), $now::timestamptz) / 60 - 1 as silent
    from paused
    group by unit_id
),

judged as (
    select *, is_known and silent > $hours and silent > 1.5 * longest as is_silent
    from units
),

summed as (
    select count(*) filter (where is_known) as known_count, count(*) filter (where is_silent) as silent_count
    from judged
)

select
    case when j.is_silent and s.silent_count = s.known_count and s.known_count > 1 then 'all units' else j.unit_id end
        as subject,
    any_value(case
        when j.is_silent and s.silent_count = s.known_count and s.known_count > 1 then format(
            'none of {} units has sent a log for more than {} hours; look whether logs still reach the inbox, '
                || 'and type: turnrow pull',
            s.silent_count, $hours::bigint
        )
        when j.is_silent then format(
            'no log for {:.0f} hours, the last of {}; its longest pause in four weeks was {} hours; look whether it '
                || 'runs and uploads',
            j.silent, strftime(j.last_hour, '%Y-%m-%d %H:00'), j.longest
        )
        else 'seen in fewer than four hours of four weeks, or since less than eight days'
    end) as message,
    bool_and(j.is_known) as is_known
from judged as j
cross join summed as s
where j.is_silent or not j.is_known
group by subject
order by subject
