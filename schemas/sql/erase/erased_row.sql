-- one row per erased recording, or object of one, among the staged rows; each distinct name is hashed once
create or replace temp table erased_name as
with recordings as (
    select distinct recording_id
    from staged_row
    where recording_id is not null
),
hashed as (
    select recording_id, recording_hash(recording_id) as tombstone
    from recordings
),
objects as (
    select distinct r.recording_id, r.object_id
    from staged_row as r
    inner join hashed as h on h.recording_id = r.recording_id
    where r.object_id is not null
        and h.tombstone in (select inside from known_tombstone where scope = 'object')
)
select h.recording_id, null::varchar as object_id
from hashed as h
semi join known_tombstone as t on t.tombstone = h.tombstone
union all
select o.recording_id, o.object_id
from objects as o
where object_hash(o.recording_id, o.object_id) in (select tombstone from known_tombstone where scope = 'object')
