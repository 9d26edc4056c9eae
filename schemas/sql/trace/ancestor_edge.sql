-- one row per step of descent above one thing: all that it came from, however far back
-- (the view stands in the joins itself: as a named step it would be written out whole first, several times slower)
create or replace temp table traced_edge as
with recursive above as (
    select e.child_kind, e.child_id, e.parent_kind, e.parent_id
    from lineage_edge as e
    where e.child_kind = $kind and e.child_id = $id
    union
    select e.child_kind, e.child_id, e.parent_kind, e.parent_id
    from lineage_edge as e
    inner join above as a on a.parent_kind = e.child_kind and a.parent_id = e.child_id
)
select child_kind as near_kind, child_id as near_id, parent_kind as far_kind, parent_id as far_id
from above
