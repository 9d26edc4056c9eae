-- one row per unseen sample that a file lists for a hold-out which is not there yet (drawn_member)
create or replace temp table listed_member as
select sample_id, group_id
from drawn_member
where not is_seen
