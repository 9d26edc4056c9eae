-- one row per run that may be shown: the last 5, and the last 10 that did not end well and that no later one made good;
-- steps of a flow are left out, as the flow stands for them (a flow of no more than a day: of one that died nobody knows
-- when it ended)
-- (nothing is bound here and in what else `status` asks: binding a value makes DuckDB load pandas, if it is there)
with flow as (
    select started_at, least(coalesce(ended_at, 'infinity'::timestamptz), started_at + interval 24 hours) as ended_at
    from flow_run
    where flow in ('nightly', 'round', 'backfill')
),
own as (
    select
        *,
        max(started_at) filter (where state = 'done') over (partition by flow, parameters) as made_good_at
    from flow_run as r
    where flow in ('nightly', 'round', 'backfill') or not exists (
        select 1 from flow as f where f.started_at <= r.started_at and r.ended_at <= f.ended_at
    )
),
ordered as (
    select
        run_id,
        flow,
        parameters,
        state,
        epoch_us(started_at) as started_at,
        epoch_us(ended_at) as ended_at,
        error,
        state in ('failed', 'partial', 'crashed') and coalesce(started_at > made_good_at, true) as is_bad,
        row_number() over (order by started_at desc, run_id) as place
    from own
)
select
    run_id,
    flow,
    parameters,
    state,
    started_at,
    ended_at,
    error,
    place <= 5 as is_last
from ordered
qualify place <= 5 or (is_bad and row_number() over (partition by is_bad order by place) <= 10)
order by place
