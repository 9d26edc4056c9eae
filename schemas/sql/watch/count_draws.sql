-- one row per week with tracks that may be drawn now: how many there are, and how many are drawn
insert into week_draw
select
    $attribute,
    week,
    any_value(part),
    any_value(track_count),
    count(distinct (recording_id, object_id)) filter (where chance < inclusion_probability),
    any_value(inclusion_probability),
    $seen_until
from eligible_track
group by week
