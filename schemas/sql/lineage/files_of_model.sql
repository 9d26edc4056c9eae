-- Which files fed this model, through every training set and model before it?
-- of a model
-- one row per file
with recursive came_from as (
    select e.parent_kind, e.parent_id
    from lineage_edge as e
    where e.child_kind = 'model' and e.child_id = $id
    union
    select e.parent_kind, e.parent_id
    from lineage_edge as e
    inner join came_from as c on c.parent_kind = e.child_kind and c.parent_id = e.child_id
)
select b.source_uri, b.kind, b.rows_kept, b.content_sha256
from came_from as c
inner join pull_batch as b on b.batch_id = c.parent_id
where c.parent_kind = 'file'
order by b.source_uri
