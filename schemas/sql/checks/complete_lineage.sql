-- one row per row of which the warehouse does not know where it came from
with offending as (
    select sample_id, lacks
    from checked_row
    where lacks is not null
),

counted as (
    select lacks, count(*) as row_count
    from offending
    group by lacks
),

told as (
    select string_agg(format('{} without the {}', row_count, lacks), ', ' order by row_count desc, lacks) as observed
    from counted
)

select offending.sample_id, told.observed
from offending
cross join told
