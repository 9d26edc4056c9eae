-- one row per drawn week that ends now: it has been over for a week and nobody is asked about it any more, or it was
-- drawn so long ago that whatever lacks an answer goes without
insert into watch_close
with counted as (
    select
        d.attribute,
        d.week,
        min(d.known_at) as drawn_at,
        (
            select count(*)
            from watch_sample as s
            semi join open_fix as o on o.sample_id = s.sample_id
            where s.attribute = d.attribute and s.week = d.week
        ) as open_count,
        (select count(*) from watch_sample as s where s.attribute = d.attribute and s.week = d.week) as sample_count
    from watch_draw as d
    anti join watch_close as c on c.attribute = d.attribute and c.week = d.week
    group by d.attribute, d.week
)
select
    attribute,
    week,
    case
        when open_count = 0 then 'nobody is asked about its ' || sample_count || ' samples any more'
        else open_count || ' of its ' || sample_count || ' samples lacked an answer ' || $open_weeks
            || ' weeks after the draw'
    end,
    $known_at
from counted
where (open_count = 0 and cast(week as timestamptz) + interval 14 days <= $now::timestamptz)
    or drawn_at + to_days(cast(7 * $open_weeks as integer)) <= $now::timestamptz
