-- one row per hold-out sample of the attribute with features, known by $reserved_until
select distinct on (v.sample_id) v.sample_id, v.vector
from wh.main.holdout as h
inner join wh.main.holdout_member as m on m.holdout_id = h.holdout_id
inner join wh.main.sample_vector as v on v.sample_id = m.sample_id
where h.attribute = $attribute and h.known_at <= $reserved_until and v.known_at <= $reserved_until
    and v.space = $feature_space
order by v.sample_id, v.known_at
