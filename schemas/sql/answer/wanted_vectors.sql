-- one row per sample whose neighbours are wanted: its first vector in the space
select v.sample_id, v.vector
from sample_vector as v
semi join neighbour_wanted as w on w.sample_id = v.sample_id
where v.space = $space and v.attribute = $attribute
qualify row_number() over (partition by v.sample_id order by v.known_at) = 1
order by v.sample_id
