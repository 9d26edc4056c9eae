-- one row per row of a version: its sample, and its group when it was assembled
create or replace temp table version_row as
select sample_id, group_id
from training_set_member
where version = $version
