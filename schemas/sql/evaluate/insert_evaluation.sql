-- one row per figure that is not stored yet, or is not what the latest stored one says
insert into evaluation
with stored as (
    select model_version, holdout_id, slice, metric, value, n
    from evaluation
    qualify row_number() over (
        partition by model_version, holdout_id, slice, metric
        order by known_at desc
    ) = 1
)
select e.model_version, e.holdout_id, e.slice, e.metric, e.value, e.low, e.high, e.n, $known_at
from new_evaluation as e
anti join stored as s
    on s.model_version = e.model_version and s.holdout_id = e.holdout_id
    and s.slice = e.slice and s.metric = e.metric
    and s.value = e.value and s.n = e.n
order by e.model_version, e.holdout_id, e.slice, e.metric
