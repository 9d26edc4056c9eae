-- one row per row of a recording that holds a greater share of the rows than allowed; one that does not offend where
-- there is none; names stand in quotes, so that an erasure finds any (rows of no known recording are the business of
-- complete_lineage)
with counted as (
    select recording_id, count(*) as row_count, sum(count(*)) over () as total_count
    from checked_row
    group by recording_id
),

crowded as (
    select recording_id, row_count
    from counted
    where recording_id is not null and row_count > $at_most * total_count
),

told as (
    select
        string_agg(
            format('"{}" has {:.3f} of the rows ({} of {})', recording_id, row_count / total_count, row_count, total_count),
            ', ' order by row_count desc, recording_id
        ) as observed
    from (
        select *
        from counted
        where recording_id is not null
        qualify row_count > $at_most * total_count or row_number() over (order by row_count desc, recording_id) = 1
    ) as shown
),

offending as (
    select checked_row.sample_id
    from checked_row
    semi join crowded on crowded.recording_id = checked_row.recording_id
)

select
    offending.sample_id,
    format('{}; at most {:.3f}', coalesce(told.observed, 'no row has a recording'), $at_most::double) as observed,
    offending.sample_id is not null as is_offending
from told
left join offending on true
