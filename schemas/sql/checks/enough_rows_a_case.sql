-- one row per targeted case, which is one with rows that the parent lacks, that has fewer rows than asked for;
-- one that does not offend where there is none
with named as (
    select unnest(case_names) as case_name, is_new
    from checked_row
    where case_names is not null
),

targeted as (
    select case_name, count(*) as row_count, count(*) filter (where is_new) as new_count
    from named
    group by case_name
    having count(*) filter (where is_new) > 0
),

too_few as (
    select case_name
    from targeted
    where row_count < $at_least
),

told as (
    select
        string_agg(
            format('{} has {} rows, {} of them new', case_name, row_count, new_count),
            ', ' order by row_count, case_name
        ) filter (where row_count < $at_least or row_count = fewest) as cases
    from targeted
    cross join (select min(row_count) as fewest from targeted) as least
)

select
    null::varchar as sample_id,
    coalesce(
        format('{}; at least {} are asked for', told.cases, $at_least::bigint),
        'no case has rows that the parent lacks'
    ) as observed,
    too_few.case_name is not null as is_offending
from told
left join too_few on true
