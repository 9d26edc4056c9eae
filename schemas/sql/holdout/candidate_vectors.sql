-- one row per sample that is to be compared with the incumbent's rows and has features
select distinct on (v.sample_id) v.sample_id, v.vector
from sample_vector as v
semi join copy_candidate as c on c.sample_id = v.sample_id
where v.attribute = $attribute and v.space = $feature_space
order by v.sample_id, v.known_at
