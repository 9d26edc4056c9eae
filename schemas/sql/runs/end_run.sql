-- one row: what came of a flow that had started
update flow_run
set state = $state, ended_at = $ended_at, counts = $counts, error = $error
where run_id = $run_id
