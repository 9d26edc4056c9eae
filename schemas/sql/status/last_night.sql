-- one row: the latest run of `nightly` that has ended, what it did and what it left; no row before the first
select state, epoch_us(started_at) as started_at, counts, error
from flow_run
where flow = 'nightly' and state <> 'running'
order by started_at desc, run_id
limit 1
