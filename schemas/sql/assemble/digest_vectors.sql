-- one row per training row, in order of sample_id: its features
select v.vector
from assembled as a
inner join sample_vector as v on v.sample_id = a.sample_id
where v.space = $feature_space
qualify row_number() over (partition by v.sample_id order by v.known_at) = 1
order by a.sample_id
