-- one row per listed sample as a member: seen where the incumbent's ancestry holds its group
create or replace temp table drawn_member as
with flagged as (
    select distinct sample_id from live_flag
)
select distinct
    l.sample_id,
    g.group_id,
    case when f.sample_id is not null then 'flagged' else 'rest' end as stratum,
    cast(null as double) as inclusion_probability,
    x.group_id is not null as is_seen
from listed_sample as l
inner join grouped_sample as g on g.sample_id = l.sample_id
left join flagged as f on f.sample_id = l.sample_id
left join seen_group as x on x.group_id = g.group_id
