-- one row per sample observed before the moment, with vectors, that nothing refers to: never labelled, asked about,
-- doubted, of a case, drawn for a hold-out or the watch, nor in any training set, nor a step of the track of a
-- hold-out's member (evaluations measure how steady models are along it)
create or replace temp table forgotten_sample as
with kept as (
    select sample_id from label_revision
    union all
    select sample_id from label_fix
    union all
    select sample_id from known_item
    union all
    select sample_id from audit_item
    union all
    select sample_id from misprediction
    union all
    select sample_id from case_member
    union all
    select sample_id from holdout_member
    union all
    select sample_id from watch_sample
    union all
    select sample_id from training_set_member
    union all
    select sample_id from listed_set_member
    union all
    select sample_id from holdout_prediction
),
held_track as (
    select distinct s.attribute, s.recording_id, s.object_id
    from sample as s
    semi join holdout_member as m on m.sample_id = s.sample_id
),
track_step as (
    select s.sample_id
    from sample as s
    semi join held_track as t
        on t.attribute = s.attribute and t.recording_id = s.recording_id and t.object_id = s.object_id
)
select distinct sample_id
from sample_vector
where observed_at < $before::timestamptz
    and sample_id not in (select sample_id from kept where sample_id is not null)
    and sample_id not in (select sample_id from track_step)
