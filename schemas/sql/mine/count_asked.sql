-- one row: how many questions that mining asked for a case are open
select count(distinct q.fix_id)
from fix_request as q
semi join open_fix as o on o.fix_id = q.fix_id
where q.case_name = $case_name and q.reason in ('mined', 'look_alike')
