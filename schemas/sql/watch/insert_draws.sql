-- one row per drawn part of a week
insert into watch_draw
select attribute, week, part, track_count, drawn_count, inclusion_probability, seen_until, $known_at
from week_draw
