-- one row per checked row whose features are missing, not finite, or not of the length that most rows have
with counted as (
    select feature_length, count(*) as row_count
    from checked_row
    where feature_length > 0
    group by feature_length
),

usual as (
    select feature_length
    from counted
    order by row_count desc, feature_length
    limit 1
),

offending as (
    select
        sample_id,
        coalesce(feature_length, 0) = 0 as is_missing,
        coalesce(feature_length, 0) > 0 and is_finite is not true as is_broken
    from checked_row
    where coalesce(feature_length, 0) = 0
        or is_finite is not true
        or feature_length != (select usual.feature_length from usual)
),

summed as (
    select
        count(*) filter (where is_missing) as missing_count,
        count(*) filter (where is_broken) as broken_count,
        count(*) filter (where not is_missing and not is_broken) as other_count
    from offending
)

select
    offending.sample_id,
    format(
        '{} without features, {} not finite, {} of another length',
        summed.missing_count, summed.broken_count, summed.other_count
    ) as observed
from offending
cross join summed
