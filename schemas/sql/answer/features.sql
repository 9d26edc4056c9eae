-- one row per question whose sample has features in use: its first vector
select c.fix_id, v.vector
from chosen_fix as c
inner join sample_vector as v on v.sample_id = c.sample_id
inner join answer_space as a on a.attribute = c.attribute and a.feature_space = v.space
qualify row_number() over (partition by c.fix_id order by v.known_at) = 1
order by c.fix_id
