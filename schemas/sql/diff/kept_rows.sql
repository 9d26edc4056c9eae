-- one row per training row of the version that an erasure left as it was
create or replace temp table row_before as
select *
from training_set_member
where version = $version and (label is not null or label_value is not null)
