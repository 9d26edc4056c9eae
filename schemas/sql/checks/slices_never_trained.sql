-- one row per value of a slice with more known samples than allowed and not one training row; one that does not offend
-- where there is none
with untrained as (
    select slice, coalesce(value, '(none)') as value, known_count
    from slice_count
    where row_count = 0 and known_count > $at_most
),

told as (
    select string_agg(
        format('{} = {} has {} samples and no training row', slice, value, known_count),
        ', ' order by known_count desc, slice, value
    ) as observed
    from untrained
)

select
    null::varchar as sample_id,
    coalesce(told.observed, format('every value with more than {} samples has training rows', $at_most::bigint))
        as observed,
    untrained.slice is not null as is_offending
from told
left join untrained on true
