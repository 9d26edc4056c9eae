-- one row per reference that has a vector in the space, in order of sample_id
select v.sample_id, r.group_id, r.predicted, v.vector
from reference_sample as r
inner join sample_vector as v on v.sample_id = r.sample_id
where v.space = $space
qualify row_number() over (partition by v.sample_id order by v.known_at) = 1
order by v.sample_id
