-- one row per (truth, predicted) of the case's settled members outside reserved groups that were wrong
create or replace temp table case_pair as
select distinct p.truth, p.predicted
from present_member as m
inner join served_sample as p on p.prediction_id = m.prediction_id
inner join grouped_sample as g on g.sample_id = m.sample_id
anti join holdout_reserved as r on r.attribute = m.attribute and r.group_id = g.group_id
where m.case_name = $case_name and p.truth is not null and p.truth <> p.predicted
