-- one row per property and value of it: how many rows have it, and what they weigh together
with valued as (
    select
        e.*,
        case when e.label is null then 'numbers' else e.label end as class,
        coalesce(e.unit_id, '(not said)') as unit,
        coalesce(e.decided_by, '(not said)') as people,
        case
            when e.label_fix_id is null then 'from a file'
            when e.guideline_sha256 is null then '(none stated)'
            else e.guideline_sha256
        end as guideline
    from exported_row as e
),
listed as (
    select 'class' as property, class as value, weight from valued
    union all
    select 'reason', reason, weight from valued
    union all
    select 'origin', origin, weight from valued
    union all
    select 'unit', unit, weight from valued
    union all
    select 'people', people, weight from valued
    union all
    select 'guideline', guideline, weight from valued
    union all
    select 'case', unnest(case_names), weight from valued
)
select property, value, count(*) as row_count, cast(sum(weight) as double) as weight
from listed
group by property, value
order by property, row_count desc, value
