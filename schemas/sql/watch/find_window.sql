-- one row: the Mondays from which and until which weeks of the attribute are drawn (null: nothing was served in a week
-- that is over). The latest week that is over and was served in, and up to three before it, but none from before the
-- watch began
with latest as (
    select date_trunc('week', max(observed_at)) as week_start
    from prediction
    where attribute = $attribute and role = 'served' and observed_at < date_trunc('week', $now::timestamptz)
),
began as (
    select min(week) as week
    from watch_draw
    where attribute = $attribute
)
select
    case
        when b.week is null then l.week_start
        else greatest(l.week_start - interval 21 days, least(l.week_start, cast(b.week as timestamptz)))
    end as first_day,
    l.week_start + interval 7 days as last_day
from latest as l
cross join began as b
