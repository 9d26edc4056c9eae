-- one row per drawn track: one of its samples, by a hash
insert into drawn_sample
select $attribute, week, part, sample_id, inclusion_probability, track_sample_count
from eligible_track
where chance < inclusion_probability
qualify row_number() over (
    partition by recording_id, object_id
    order by sha256('watch' || chr(31) || sample_id)
) = 1
