-- one row per shown step next to the things of the list: the first few of each kind, and how many there are
with beside as (
    select
        near_kind,
        near_id,
        far_kind,
        far_id,
        row_number() over (partition by near_kind, near_id, far_kind order by far_id) as place,
        count(*) over (partition by near_kind, near_id, far_kind) as beside_count
    from traced_edge
    where near_id in (select unnest($ids))
)
select near_kind, near_id, far_kind, far_id, beside_count
from beside
where place <= $at_most
order by near_kind, near_id, far_kind, far_id
