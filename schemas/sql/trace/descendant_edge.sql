-- one row per step of descent below one thing: all that came of it, however far on
create or replace temp table traced_edge as
with recursive below as (
    select e.parent_kind, e.parent_id, e.child_kind, e.child_id
    from lineage_edge as e
    where e.parent_kind = $kind and e.parent_id = $id
    union
    select e.parent_kind, e.parent_id, e.child_kind, e.child_id
    from lineage_edge as e
    inner join below as b on b.child_kind = e.parent_kind and b.child_id = e.parent_id
)
select parent_kind as near_kind, parent_id as near_id, child_kind as far_kind, child_id as far_id
from below
