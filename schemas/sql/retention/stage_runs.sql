-- one row per run that ended before the moment; the latest of each flow and state stays, since steps and `status` ask
-- when a thing was last done
create or replace temp table forgotten_run as
select run_id
from flow_run
where state <> 'running'
qualify row_number() over (partition by flow, state order by started_at desc, run_id) > 1
    and coalesce(ended_at, started_at) < $before::timestamptz
