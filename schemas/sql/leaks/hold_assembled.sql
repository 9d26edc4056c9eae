-- one row per row that was composed just now
create or replace temp view leak_row as
select sample_id, group_id
from assembled
