-- one row per case and (truth, predicted) of its settled, unreserved members that were wrong
select distinct m.case_name, p.truth, p.predicted
from present_member as m
inner join served_sample as p on p.prediction_id = m.prediction_id
inner join grouped_sample as g on g.sample_id = m.sample_id
anti join holdout_reserved as r on r.attribute = m.attribute and r.group_id = g.group_id
where m.attribute = $attribute and p.truth is not null and p.truth <> p.predicted
order by m.case_name, p.truth, p.predicted
