-- one row per wanted fix and case, but of each track no more new doubted samples than it has room for: the most urgent
create or replace temp table wanted_fix as
with fresh as (
    select w.sample_id, w.attribute, max(w.priority) as priority
    from wanted_fix as w
    anti join open_fix as o on o.sample_id = w.sample_id
    where w.reason = 'flagged'
    group by w.sample_id, w.attribute
),
tracks as (
    select distinct s.sample_id, s.recording_id, s.object_id
    from sample as s
    semi join fresh as f on f.sample_id = s.sample_id
),
placed as (
    select
        f.sample_id,
        coalesce(r.room, d.room) as room,
        row_number() over (
            partition by f.attribute, t.recording_id, t.object_id
            order by f.priority desc, f.sample_id
        ) as place
    from fresh as f
    inner join tracks as t on t.sample_id = f.sample_id
    inner join untouched_track as d on d.attribute = f.attribute
    left join track_room as r
        on r.attribute = f.attribute and r.recording_id = t.recording_id and r.object_id = t.object_id
)
select w.*
from wanted_fix as w
anti join (select sample_id from placed where place > room) as p on p.sample_id = w.sample_id
