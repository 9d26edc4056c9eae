-- one row per sample of a list that is not kept yet
insert into listed_set_member
select $list_id, sample_id, group_id, revision_id, is_taken
from listed_row
where not exists (select 1 from listed_set_member where list_id = $list_id)
order by sample_id
