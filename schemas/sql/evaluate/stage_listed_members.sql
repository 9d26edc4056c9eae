-- one row per unseen member that a file listed, of a hold-out or (null) of what is about to become one (drawn_member),
-- as something whose likeness can be measured
create or replace temp table likeness_candidate as
with listed as (
    select sample_id, group_id
    from holdout_member
    where holdout_id = $holdout_id and not is_seen and inclusion_probability is null
    union all
    select sample_id, group_id
    from drawn_member
    where $holdout_id is null and not is_seen
)
select
    sample_id,
    group_id,
    cast(null as varchar) as predicted,
    1.0 as margin,
    cast(0 as ubigint) as track,
    cast(1 as bigint) as room
from listed
