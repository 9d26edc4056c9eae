-- one row per row and hold-out member: its group by what is known now
create or replace temp table moved_group as
select g.sample_id, g.group_id
from grouped_sample as g
where g.attribute = $attribute
    and (
        g.sample_id in (select sample_id from leak_row)
        or g.sample_id in (
            select m.sample_id
            from holdout_member as m
            inner join holdout as h on h.holdout_id = m.holdout_id
            where h.attribute = $attribute
        )
    )
