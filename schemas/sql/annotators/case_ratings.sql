-- one row per case and label given to a question that it asked
select r.case_name, a.question, a.annotator, a.label
from rating as a
inner join (
    select distinct fix_id, case_name
    from fix_request
    where case_name is not null and reason <> 'holdout'
) as r on r.fix_id = a.fix_id
order by r.case_name, a.question, a.annotator
