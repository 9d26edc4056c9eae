-- one row per sample and flagged served prediction
with flags as (
    select
        prediction_id,
        list_sort(list(distinct rule)) as rules,
        max(score) as score,
        min(misprediction_id) as misprediction_id
    from live_flag
    group by prediction_id
)
select s.*, f.rules, f.score, f.misprediction_id
from flags as f
inner join served_sample as s on s.prediction_id = f.prediction_id
