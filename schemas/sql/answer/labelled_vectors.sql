-- one row per sample of the attribute that was ever labelled and has a vector in the space
select v.sample_id, v.vector
from sample_vector as v
semi join label_revision as r on r.sample_id = v.sample_id
where v.space = $space and v.attribute = $attribute
