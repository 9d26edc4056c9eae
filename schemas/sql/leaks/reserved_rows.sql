-- one row per row in a group that is reserved now, by its group as it was or (moved_group) as it is now, or that is a
-- hold-out's member itself
insert into leaked_row
with held as (
    select m.sample_id, m.group_id
    from holdout_member as m
    inner join holdout as h on h.holdout_id = m.holdout_id
    where h.attribute = $attribute
),
reserved as (
    select group_id from holdout_reserved where attribute = $attribute
    union
    select group_id from held
    union
    select g.group_id
    from held as m
    inner join moved_group as g on g.sample_id = m.sample_id
),
placed as (
    select sample_id, group_id from leak_row
    union all
    select g.sample_id, g.group_id
    from moved_group as g
    semi join leak_row as r on r.sample_id = g.sample_id
)
select $version, sample_id, 'reserved'
from placed as p
semi join reserved as r on r.group_id = p.group_id
union
select $version, r.sample_id, 'reserved'
from leak_row as r
semi join held as m on m.sample_id = r.sample_id
