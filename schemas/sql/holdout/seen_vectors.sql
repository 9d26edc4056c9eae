-- one row per row of the incumbent's ancestry with features
select v.sample_id, v.vector
from sample_vector as v
semi join seen_row as r on r.sample_id = v.sample_id
where v.space = $feature_space
