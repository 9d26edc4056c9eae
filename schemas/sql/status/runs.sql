-- one row per recent run: the last few, and those of the last week that did not end well
with recent as (
    select
        run_id,
        flow,
        state,
        epoch_us(started_at) as started_at,
        epoch_us(ended_at) as ended_at,
        error,
        row_number() over (order by started_at desc, run_id) as place
    from flow_run
)
select run_id, flow, state, started_at, ended_at, error
from recent
where place <= $at_most
    or (state in ('failed', 'partial', 'crashed') and started_at >= epoch_us(cast($since as timestamptz)))
order by place
limit 2 * $at_most
