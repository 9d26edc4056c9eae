-- one row per listed sample as a member: seen where the incumbent's ancestry holds its group
create or replace temp table drawn_member as
-- also what a label contradicts that no rule was asked about yet: whether it is known as an error must not depend on
-- which command ran first
with flagged as (
    select sample_id from live_flag
    union
    select p.sample_id
    from current_prediction as p
    inner join label_revision as r on r.sample_id = p.sample_id
    semi join listed_sample as s on s.sample_id = p.sample_id
    where r.label <> p.predicted or abs(r.label_value - p.predicted_value) > $tolerance * (1 + 1e-9)
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
