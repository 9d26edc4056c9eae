-- one row per run that has not ended, oldest first: its counts name the process that it belongs to
select run_id, flow, parameters, started_at, counts
from flow_run
where state = 'running'
order by started_at, run_id
