-- one row: a flow that has just started; its counts name its process until it ends
insert into flow_run
values ($run_id, $flow, $parameters, 'running', $started_at, null, $counts, null)
