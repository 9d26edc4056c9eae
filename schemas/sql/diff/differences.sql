-- one row per kind of difference: how many samples, and the first of them with what stands and what was rebuilt
with placed as (
    select *, row_number() over (partition by change order by sample_id) as place
    from changed_row
)
select
    change,
    count(*) as row_count,
    list(sample_id order by sample_id) filter (where place <= $at_most) as sample_ids,
    list(before order by sample_id) filter (where place <= $at_most) as before,
    list(after order by sample_id) filter (where place <= $at_most) as after
from placed
group by change
order by change
