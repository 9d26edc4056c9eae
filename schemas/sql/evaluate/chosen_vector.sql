-- one row per sample of an attribute and space: the vector that was known first
create or replace temp view chosen_vector as
select sample_id, space, arg_min(vector, known_at) as vector
from sample_vector
group by sample_id, space
