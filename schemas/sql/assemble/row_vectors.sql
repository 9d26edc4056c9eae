-- one row per composed sample that is not left out, with its features
select v.sample_id, v.vector
from sample_vector as v
inner join composed_row as c on c.sample_id = v.sample_id
where v.space = $feature_space and c.why is null
