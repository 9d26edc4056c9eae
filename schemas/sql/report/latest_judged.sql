-- one row at most: the candidate that the gate judged last
select candidate as model_version
from gate_decision
where criterion = 'overall'
order by known_at desc, candidate
limit 1
