-- one row per settled member of a case, reserved or not: what a list by likeness to members may have been made with
create or replace temp table reference_sample as
select distinct m.sample_id, g.group_id, cast(null as varchar) as predicted
from present_member as m
inner join current_label as l on l.sample_id = m.sample_id
inner join grouped_sample as g on g.sample_id = m.sample_id
where m.case_name = $case_name and l.revision_id is not null
