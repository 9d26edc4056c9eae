-- one row per training row of the version
create or replace temp table row_before as
select *
from training_set_member
where version = $version
