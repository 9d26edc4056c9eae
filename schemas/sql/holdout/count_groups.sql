-- one row: groups of the attribute that are reserved for any hold-out, and groups that are left to train on
with reserved as (
    select distinct group_id from holdout_reserved where attribute = $attribute
),
groups as (
    select distinct group_id from grouped_sample where attribute = $attribute
)
select
    count(*) filter (where r.group_id is not null) as reserved_groups,
    count(*) filter (where r.group_id is null) as free_groups
from groups as g
left join reserved as r on r.group_id = g.group_id
