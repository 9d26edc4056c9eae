-- one row at most: the last candidate that a control was compared with
select candidate
from gate_decision
where baseline = $model
order by known_at desc, candidate
limit 1
