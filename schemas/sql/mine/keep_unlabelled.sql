-- one row per candidate that may be asked: no truth, no open fix, no failed attempt, no reserved group
create or replace temp table likeness_candidate as
with ended as (
    select f.sample_id
    from label_fix as f
    inner join fix_outcome as o on o.fix_id = f.fix_id
    where o.outcome in ('ambiguous', 'unusable')
)
select
    c.* exclude (margin),
    coalesce(
        list_sort(map_values(cast(c.scores as map(varchar, double))), 'desc')[1]
            - list_sort(map_values(cast(c.scores as map(varchar, double))), 'desc')[2],
        2 * c.confidence - 1,
        1.0
    ) as margin
from likeness_candidate as c
left join current_label as l on l.sample_id = c.sample_id
anti join open_fix as o on o.sample_id = c.sample_id
anti join ended as e on e.sample_id = c.sample_id
anti join holdout_reserved as r on r.attribute = $attribute and r.group_id = c.group_id
where l.revision_id is null
