-- one row per sample that the watch drew for an attribute
create or replace temp table watch_focus as
select distinct sample_id
from watch_sample
where attribute = $attribute
