-- one row per case and what some of its members were called instead of their truth
select distinct m.case_name, p.predicted
from present_member as m
inner join served_sample as p on p.prediction_id = m.prediction_id
where p.truth is not null and p.truth <> p.predicted
order by m.case_name, p.predicted
