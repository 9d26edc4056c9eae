-- one row per model, hold-out and track with two answered steps or more: how many steps it has, how often the answer
-- changed from one to the next, and how many went by before the answer that lasts; none of a group that the incumbent
-- learned from
with answered as (
    select
        n.model_version, a.holdout_id, a.group_id, a.track_id, a.inclusion_probability, n.predicted,
        row_number() over steps as place,
        lag(n.predicted) over steps as before
    from asked_sample as a
    inner join new_prediction as n on n.sample_id = a.sample_id
    anti join seen_group as x on x.group_id = a.group_id
    where a.track_id is not null and n.predicted is not null
    window steps as (
        partition by n.model_version, a.holdout_id, a.group_id, a.track_id
        order by a.observed_at, a.sample_id
    )
)
select
    model_version,
    holdout_id,
    group_id,
    any_value(inclusion_probability) as inclusion_probability,
    count(*) as step_count,
    count(*) filter (where before <> predicted) as flip_count,
    coalesce(max(place) filter (where before <> predicted), 1) - 1 as steps_to_lasting
from answered
group by model_version, holdout_id, group_id, track_id
having count(*) >= 2
order by model_version, holdout_id, group_id, track_id
