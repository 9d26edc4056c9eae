-- one row per step of descent above one thing: all that it came from, however far back
create or replace temp table traced_edge as
with recursive edges as (
    select * from lineage_edge
),
above as (
    select e.child_kind, e.child_id, e.parent_kind, e.parent_id
    from edges as e
    where e.child_kind = $kind and e.child_id = $id
    union
    select e.child_kind, e.child_id, e.parent_kind, e.parent_id
    from above as a
    inner join edges as e on e.child_kind = a.parent_kind and e.child_id = a.parent_id
)
select child_kind as near_kind, child_id as near_id, parent_kind as far_kind, parent_id as far_id
from above
