-- one row per figure that is not stored yet, or is not what the latest stored one says (the last digits of a
-- confidence depend on how many rows are answered at once); a pair of a confusion that no longer occurs (its samples
-- were erased) is stored as none, or its last count would stand for ever
insert into evaluation
with stored as (
    select model_version, holdout_id, slice, metric, value, low, high, n
    from evaluation
    qualify row_number() over (
        partition by model_version, holdout_id, slice, metric
        order by known_at desc
    ) = 1
),
gone as (
    select s.model_version, s.holdout_id, s.slice, s.metric
    from stored as s
    semi join new_evaluation as e on e.model_version = s.model_version and e.holdout_id = s.holdout_id
    anti join new_evaluation as e
        on e.model_version = s.model_version and e.holdout_id = s.holdout_id
        and e.slice = s.slice and e.metric = s.metric
    where starts_with(s.metric, 'called=') and s.value > 0
),
figures as (
    select model_version, holdout_id, slice, metric, value, low, high, n
    from new_evaluation
    union all
    select model_version, holdout_id, slice, metric, 0.0, null, null, 0
    from gone
)
select e.model_version, e.holdout_id, e.slice, e.metric, e.value, e.low, e.high, e.n, $known_at
from figures as e
anti join stored as s
    on s.model_version = e.model_version and s.holdout_id = e.holdout_id
    and s.slice = e.slice and s.metric = e.metric
    and s.n = e.n and abs(s.value - e.value) <= 1e-9 * greatest(1, abs(e.value))
    and coalesce(abs(s.low - e.low) <= 1e-7 * greatest(1, abs(e.low)), s.low is not distinct from e.low)
    and coalesce(abs(s.high - e.high) <= 1e-7 * greatest(1, abs(e.high)), s.high is not distinct from e.high)
order by e.model_version, e.holdout_id, e.slice, e.metric
