-- one row per run that may be shown: the last 5, and the last 10 that did not end well
-- (nothing is bound here and in what else `status` asks: binding a value makes DuckDB load pandas, if it is there)
with ordered as (
    select
        run_id,
        flow,
        state,
        epoch_us(started_at) as started_at,
        epoch_us(ended_at) as ended_at,
        error,
        row_number() over (order by started_at desc, run_id) as place,
        row_number() over (
            partition by state in ('failed', 'partial', 'crashed')
            order by started_at desc, run_id
        ) as place_among_its_like
    from flow_run
)
select run_id, flow, state, started_at, ended_at, error, place <= 5 as is_last
from ordered
where place <= 5 or (state in ('failed', 'partial', 'crashed') and place_among_its_like <= 10)
order by place
