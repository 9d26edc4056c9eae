-- one row where an imported list took the sample
select m.sample_id
from listed_set_member as m
semi join explained_sample as x on x.sample_id = m.sample_id
where m.list_id = $listed and m.is_taken
