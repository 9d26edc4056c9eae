-- one row per track that a fix has settled and that may have samples which the answer has not reached: the fix that
-- settled it last
create or replace temp table track_settled as
with settled as (
    select f.fix_id, f.sample_id, e.known_at as ended_at
    from label_fix as f
    inner join fix_end as e on e.fix_id = f.fix_id
    where f.attribute = $attribute and e.outcome = 'settled'
),
fresh_track as (
    select distinct recording_id, object_id
    from sample
    where attribute = $attribute and known_at > $done_until
    union
    select s.recording_id, s.object_id
    from settled as f
    inner join sample as s on s.sample_id = f.sample_id
    where f.ended_at > $done_until
)
select
    s.recording_id,
    s.object_id,
    arg_max(f.fix_id, (f.ended_at, f.fix_id)) as fix_id,
    arg_max(f.sample_id, (f.ended_at, f.fix_id)) as sample_id
from settled as f
inner join sample as s on s.sample_id = f.sample_id
semi join fresh_track as t on t.recording_id = s.recording_id and t.object_id = s.object_id
group by s.recording_id, s.object_id
