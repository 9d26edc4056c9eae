-- one row per label of the parent version: its share of the rows
create or replace temp table parent_share as
select label, count(*) / sum(count(*)) over () as share
from training_set_member
where version = $parent_version
group by label
