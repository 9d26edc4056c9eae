-- one row per run that has not ended, oldest first: which flow it is, and the process it named as its own
select run_id, flow, counts
from flow_run
where state = 'running'
order by started_at, run_id
