-- one row per training row of the version
create or replace temp table row_after as
select *
from training_set_member
where version = $version
