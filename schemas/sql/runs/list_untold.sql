-- one row per crashed run that a process was to tell of and has not yet, oldest first: its counts name that process
select run_id, flow, parameters, started_at, counts
from flow_run
where state = 'crashed' and counts like '{"telling":%'
order by started_at, run_id
