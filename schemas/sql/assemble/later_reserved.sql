-- one row per sample whose group is a hold-out's by what was known when groups were last reserved
create or replace temp table later_reserved as
with reserved as (
    select group_id from holdout_reserved where attribute = $attribute
    union
    select g.group_id
    from holdout_member as m
    inner join holdout as h on h.holdout_id = m.holdout_id
    inner join grouped_sample as g on g.sample_id = m.sample_id
    where h.attribute = $attribute
)
select g.sample_id
from grouped_sample as g
semi join reserved as r on r.group_id = g.group_id
where g.attribute = $attribute
