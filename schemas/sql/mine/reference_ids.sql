-- one row per settled member of a case outside reserved groups: what likeness is measured against
create or replace temp table reference_sample as
select distinct m.sample_id, g.group_id, p.predicted
from present_member as m
inner join current_label as l on l.sample_id = m.sample_id
inner join grouped_sample as g on g.sample_id = m.sample_id
left join current_prediction as p on p.sample_id = m.sample_id
anti join holdout_reserved as r on r.attribute = m.attribute and r.group_id = g.group_id
where m.case_name = $case_name and l.revision_id is not null
