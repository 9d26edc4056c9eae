-- one row per frozen hold-out and sample that models are to answer: its members, and for classes the first steps of
-- the tracks of its unseen members, as far as they are of the member's group (so that nothing is trained on them);
-- `track_id` is null where only the member itself is wanted
create or replace temp table asked_sample as
with described as (
    select distinct sample_id
    from sample_vector
    where space = $feature_space
),
member as (
    select
        z.holdout_id, m.sample_id, m.group_id, m.inclusion_probability, m.is_seen, k.recording_id, k.object_id,
        k.media_uri is not null as has_media,
        d.sample_id is not null as has_features
    from frozen_holdout as z
    inner join holdout_member as m on m.holdout_id = z.holdout_id
    inner join known_sample as k on k.sample_id = m.sample_id
    left join described as d on d.sample_id = m.sample_id
    where z.attribute = $attribute
),
track as (
    select
        holdout_id, group_id, recording_id, object_id,
        sha256(recording_id || chr(31) || object_id) as track_id,
        min(inclusion_probability) as inclusion_probability,
        bool_or(has_media) as has_media,
        bool_or(has_features) as has_features
    from member
    where not is_seen
    group by holdout_id, group_id, recording_id, object_id
),
seen_step as (
    select
        s.sample_id,
        any_value(s.recording_id) as recording_id,
        any_value(s.object_id) as object_id,
        any_value(s.observed_at) as observed_at,
        count(s.media_uri) > 0 as has_media
    from sample as s
    semi join track as t on t.recording_id = s.recording_id and t.object_id = s.object_id
    where s.attribute = $attribute
    group by s.sample_id
),
-- a trainer can do without a picture or features only where the member's track shows that it has to
step as (
    select t.holdout_id, t.group_id, t.track_id, t.inclusion_probability, s.sample_id, s.observed_at
    from track as t
    inner join seen_step as s on s.recording_id = t.recording_id and s.object_id = t.object_id
    inner join grouped_sample as g on g.sample_id = s.sample_id and g.group_id = t.group_id
    left join described as d on d.sample_id = s.sample_id
    where (s.has_media or not t.has_media) and (d.sample_id is not null or not t.has_features)
    qualify row_number() over (partition by t.holdout_id, t.group_id, t.track_id order by s.observed_at, s.sample_id)
        <= $steps_at_most
),
chosen as (
    select holdout_id, group_id, track_id
    from step
    group by holdout_id, group_id, track_id
    having count(*) >= 2
    qualify row_number() over (partition by holdout_id order by track_id, group_id) <= $tracks_at_most
)
select s.holdout_id, s.sample_id, s.group_id, s.track_id, s.inclusion_probability, s.observed_at
from step as s
semi join chosen as c on c.holdout_id = s.holdout_id and c.group_id = s.group_id and c.track_id = s.track_id
union all
select holdout_id, sample_id, group_id, null, inclusion_probability, null
from member
