-- one row per sample of the last seven days' served tracks (one a track), and per sample of the training set that the
-- attribute's incumbent learned from, with the side that it is on
create or replace temp table sliced_track as
with trained as (
    select sample_id
    from training_set_member
    where version = (
        select m.training_set_version
        from model as m
        inner join incumbent as i on i.model_version = m.model_version and i.attribute = m.attribute
        where m.attribute = $attribute and m.training_set_version is not null
        limit 1
    )
),

served as (
    select min(s.sample_id) as sample_id
    from sample as s
    where s.attribute = $attribute and s.observed_at >= $recent::timestamptz and s.observed_at < $now::timestamptz
    group by s.recording_id, s.object_id
)

select s.*, s.sample_id in (select sample_id from trained) as is_trained
from current_sample as s
where s.sample_id in (select sample_id from trained union all select sample_id from served)
    and exists (select 1 from trained)
