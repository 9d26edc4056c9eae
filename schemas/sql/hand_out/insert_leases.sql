-- one row per question that is this person's until the lease ends
insert into fix_lease (fix_id, holder, leased_until)
select fix_id, $annotator, $leased_until
from chosen_fix
