-- one row per attribute and vector space that is new
insert into vector_space
select attribute, space, length, $known_at
from space_length
where is_new
