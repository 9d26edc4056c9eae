-- What would change if this label were wrong: which training sets, models and hold-outs rest on the revision?
-- of a label_revision
-- one row per thing
with recursive came_of as (
    select e.child_kind, e.child_id
    from lineage_edge as e
    where e.parent_kind = 'label_revision' and e.parent_id = $id
    union
    select e.child_kind, e.child_id
    from lineage_edge as e
    inner join came_of as c on c.child_kind = e.parent_kind and c.child_id = e.parent_id
    where e.child_kind in ('training_set', 'model', 'holdout')
)
select child_kind as kind, child_id as name
from came_of
order by kind, name
