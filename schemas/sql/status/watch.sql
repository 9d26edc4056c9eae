-- one row per attribute that the random watch has drawn of: its weeks, its samples, and how many have an open question
with weeks as (
    select attribute, max(week) as latest_week, count(distinct week) as weeks
    from watch_draw
    group by attribute
),
closed as (
    select attribute, count(distinct week) as weeks
    from watch_close
    group by attribute
),
samples as (
    select w.attribute, count(*) as sample_count, count(o.sample_id) as open_count
    from watch_sample as w
    left join (select distinct sample_id from open_fix) as o on o.sample_id = w.sample_id
    group by w.attribute
)
select
    d.attribute,
    cast(d.latest_week as varchar) as week,
    d.weeks,
    d.weeks - coalesce(c.weeks, 0) as open_weeks,
    coalesce(s.sample_count, 0) as sample_count,
    coalesce(s.open_count, 0) as open_count
from weeks as d
left join closed as c on c.attribute = d.attribute
left join samples as s on s.attribute = d.attribute
order by d.attribute
