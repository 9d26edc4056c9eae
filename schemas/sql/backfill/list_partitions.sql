-- one row per part of history with served predictions: a UTC day, or each hour of a day that holds too many
with hours as (
    select cast(floor(epoch_us(observed_at) / 3600000000.0) as bigint) as hour_number, count(*) as predictions
    from prediction
    where attribute = $attribute and role = 'served' and observed_at >= $since and observed_at < $until
    group by hour_number
),
days as (
    select
        hour_number,
        predictions,
        cast(floor(hour_number / 24.0) as bigint) * 24 as day_start,
        sum(predictions) over (partition by cast(floor(hour_number / 24.0) as bigint)) as day_predictions
    from hours
)
select
    case when day_predictions > $at_most then hour_number else day_start end as first_hour,
    case when day_predictions > $at_most then hour_number + 1 else day_start + 24 end as end_hour
from days
group by first_hour, end_hour
order by first_hour
