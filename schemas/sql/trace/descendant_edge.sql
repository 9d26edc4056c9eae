-- one row per step of descent below one thing: all that came of it, however far on
create or replace temp table traced_edge as
with recursive edges as (
    select * from lineage_edge
),
below as (
    select e.parent_kind, e.parent_id, e.child_kind, e.child_id
    from edges as e
    where e.parent_kind = $kind and e.parent_id = $id
    union
    select e.parent_kind, e.parent_id, e.child_kind, e.child_id
    from below as b
    inner join edges as e on e.parent_kind = b.child_kind and e.parent_id = b.child_id
)
select parent_kind as near_kind, parent_id as near_id, child_kind as far_kind, child_id as far_id
from below
