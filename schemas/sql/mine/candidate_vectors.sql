-- one row per candidate that has a vector in the space
select v.sample_id, c.group_id, c.predicted, c.margin, c.track, c.room, v.vector
from likeness_candidate as c
inner join sample_vector as v on v.sample_id = c.sample_id
where v.space = $space
