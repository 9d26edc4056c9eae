-- one row per candidate that may be asked: no truth, no open fix, no failed attempt, no reserved group, and a track
-- with room; `track` only tells tracks apart within this run
create or replace temp table likeness_candidate as
with ended as (
    select f.sample_id
    from label_fix as f
    inner join fix_outcome as o on o.fix_id = f.fix_id
    where o.outcome in ('ambiguous', 'unusable')
)
select
    c.* exclude (margin, track, room),
    coalesce(
        list_sort(map_values(cast(c.scores as map(varchar, double))), 'desc')[1]
            - list_sort(map_values(cast(c.scores as map(varchar, double))), 'desc')[2],
        2 * c.confidence - 1,
        1.0
    ) as margin,
    hash(g.recording_id, g.object_id) as track,
    cast(coalesce(t.room, d.room) as bigint) as room
from likeness_candidate as c
inner join grouped_sample as g on g.sample_id = c.sample_id
inner join untouched_track as d on d.attribute = $attribute
left join track_room as t
    on t.attribute = $attribute and t.recording_id = g.recording_id and t.object_id = g.object_id
left join current_label as l on l.sample_id = c.sample_id
anti join open_fix as o on o.sample_id = c.sample_id
anti join ended as e on e.sample_id = c.sample_id
anti join holdout_reserved as r on r.attribute = $attribute and r.group_id = c.group_id
where l.revision_id is null and coalesce(t.room, d.room) > 0
