-- one row per hold-out sample with features that nobody has kept away from the rows yet: it was drawn, or its features
-- came, after $since
select distinct on (v.sample_id) v.sample_id, v.vector
from holdout as h
inner join holdout_member as m on m.holdout_id = h.holdout_id
inner join sample_vector as v on v.sample_id = m.sample_id
where h.attribute = $attribute
    and v.space = $feature_space
    and (h.known_at > $since or v.known_at > $since)
order by v.sample_id, v.known_at
