-- one row per allowed label with fewer rows than asked for; one that does not offend where there is none
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
    select label
    from counted
    where row_count < $at_least
),

told as (
    select
        string_agg(format('{} has {}', label, row_count), ', ' order by row_count, label)
            filter (where row_count < $at_least) as failed,
        format('the rarest, {}, has {}', arg_min(label, (row_count, label)), min(row_count)) as passed
    from counted
)

select
    null::varchar as sample_id,
    format('{}; at least {} are asked for', coalesce(told.failed, told.passed), $at_least::bigint) as observed,
    too_few.label is not null as is_offending
from told
left join too_few on true
