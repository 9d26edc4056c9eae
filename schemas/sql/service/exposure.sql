-- one row per model version that served the attribute in a week that was drawn: how many tracks it met, and when
with drawn as (
    select cast(week as timestamptz) as first_day
    from (select distinct week from watch_draw where attribute = $attribute)
),
served as (
    select p.model_version, p.sample_id, p.observed_at
    from prediction as p
    semi join drawn as d on d.first_day = date_trunc('week', p.observed_at)
    where p.attribute = $attribute and p.role = 'served'
        and p.observed_at >= (select min(first_day) from drawn)
),
named as (
    select distinct sample_id, recording_id, object_id
    from sample
    where attribute = $attribute and observed_at >= (select min(first_day) from drawn)
)
select
    s.model_version,
    count(distinct (n.recording_id, n.object_id)) as track_count,
    min(s.observed_at) as first_at,
    max(s.observed_at) as last_at
from served as s
inner join named as n on n.sample_id = s.sample_id
group by s.model_version
order by min(s.observed_at), s.model_version
