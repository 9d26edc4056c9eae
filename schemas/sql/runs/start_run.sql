-- one row: a flow that has just started
insert into flow_run
values ($run_id, $flow, $parameters, 'running', $started_at, null, null, null)
