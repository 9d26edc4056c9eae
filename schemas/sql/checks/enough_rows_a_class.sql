-- one row per allowed label with fewer rows than asked for
with allowed as (
    select unnest($labels::varchar[]) as label
),

counted as (
    select allowed.label, count(checked_row.label) as row_count
    from allowed
    left join checked_row on checked_row.label = allowed.label
    group by allowed.label
),

too_few as (
    select label, row_count
    from counted
    where row_count < $at_least
),

told as (
    select string_agg(format('{} has {}', label, row_count), ', ' order by row_count, label) as observed
    from too_few
)

select null::varchar as sample_id, told.observed
from too_few
cross join told
