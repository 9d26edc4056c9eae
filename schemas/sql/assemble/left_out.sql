-- one row per wished sample that stays out before anything is counted: why, and what a table of the settings says of it
create or replace temp table left_out as
select sample_id, why, case when why in ('restricted', 'left_out') then note end as note
from composed_row
where why is not null
union all
select sample_id, 'near_duplicate', null
from near_row
