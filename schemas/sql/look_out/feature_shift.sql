-- one row if the mean of a feature, in the last seven days, lies further from that of the same units' four weeks before
-- than $at_most standard deviations, and further than chance gives at the 99 % level shared out over all features;
-- is_known is false where one side has fewer than $tracks of the at most 2,000 tracks a side that are looked at
with recent as (
    select
        sample_id, recording_id, object_id, coalesce(unit_id, '') as unit_id,
        observed_at >= $recent::timestamptz as is_now
    from sample
    where attribute = $attribute and observed_at >= $first::timestamptz and observed_at < $now::timestamptz
),

tracks as (
    select is_now, unit_id, min(sample_id) as sample_id
    from recent
    where unit_id in (select unit_id from recent where is_now)
    group by is_now, unit_id, recording_id, object_id
    qualify row_number() over (partition by is_now order by min(sample_id)) <= 2000
),

vectors as (
    select t.is_now, v.sample_id, any_value(v.vector) as vector
    from sample_vector as v
    inner join tracks as t on t.sample_id = v.sample_id
    where v.attribute = $attribute and v.space = $space
        and v.observed_at >= $first::timestamptz and v.observed_at < $now::timestamptz
    group by all
),

numbers as (
    select is_now, generate_subscripts(vector, 1) as place, cast(unnest(vector) as double) as number
    from vectors
),

moments as (
    select
        place,
        avg(number) filter (where is_now) as mean_now, avg(number) filter (where not is_now) as mean_then,
        coalesce(stddev_samp(number) filter (where not is_now), 0) as deviation,
        count(number) filter (where is_now) as count_now, count(number) filter (where not is_now) as count_then
    from numbers
    where isfinite(number)
    group by place
),

-- 2.5758 and sqrt(2 ln(count)): the normal 99 % point, and how far the largest of so many means strays by chance
judged as (
    select
        *,
        abs(mean_now - mean_then) / greatest(deviation, 1e-9) as shift,
        (2.5758 + sqrt(2 * ln(count(*) over ()))) * sqrt(1.0 / nullif(count_now, 0) + 1.0 / nullif(count_then, 0))
            as by_chance,
        least(count_now, count_then) >= $tracks as is_known
    from moments
),

summed as (
    select
        coalesce(bool_and(is_known), true) as is_known,
        count(*) filter (where shift > $at_most and shift > by_chance) as shifted_count,
        count(*) as feature_count,
        arg_max(place, shift) as place, max(shift) as shift
    from judged
)

select
    $attribute as subject,
    case when is_known then format(
        '{} of {} features have shifted in seven days against the four weeks before; feature {} by {:.2f} standard '
            || 'deviations (at most {:.2f}); look at sensors and at what computes features '
            || '(feature_version) of these units',
        shifted_count, feature_count, place, shift, $at_most::double
    ) else format('fewer than {} tracks with features on a side', $tracks::bigint) end as message,
    is_known
from summed
where not is_known or shifted_count > 0
