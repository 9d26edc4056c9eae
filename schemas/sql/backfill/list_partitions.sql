-- one row per part of history with served predictions: a UTC day, each hour of a day that holds too many, each minute
-- of an hour that does; bounds in minutes since 1970, and how many predictions lie between them
with minutes as (
    select cast(floor(epoch_us(observed_at) / 60000000.0) as bigint) as minute, count(*) as predictions
    from prediction
    where attribute = $attribute and role = 'served' and observed_at >= $since and observed_at < $until
    group by minute
),
starts as (
    select
        minute,
        predictions,
        cast(floor(minute / 60.0) as bigint) * 60 as hour_start,
        cast(floor(minute / 1440.0) as bigint) * 1440 as day_start
    from minutes
),
counted as (
    select
        *,
        sum(predictions) over (partition by hour_start) as hour_predictions,
        sum(predictions) over (partition by day_start) as day_predictions
    from starts
),
cut as (
    select
        predictions,
        case
            when day_predictions <= $at_most then day_start
            when hour_predictions <= $at_most then hour_start
            else minute
        end as first_minute,
        case
            when day_predictions <= $at_most then day_start + 1440
            when hour_predictions <= $at_most then hour_start + 60
            else minute + 1
        end as end_minute
    from counted
)
select first_minute, end_minute, cast(sum(predictions) as bigint) as predictions
from cut
group by first_minute, end_minute
order by first_minute
