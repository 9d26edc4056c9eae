-- one row per run of a flow that is scheduled, the $count latest ones, newest first
select run_id, flow, parameters, state, started_at, ended_at, counts, error
from flow_run
where flow in ('nightly', 'round')
order by started_at desc, run_id
limit $count
