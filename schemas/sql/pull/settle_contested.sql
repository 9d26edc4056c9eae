-- one row per contested row: why it is refused, or what it adds
create or replace temp table settled_row as
with counting as (
    select c.*
    from claim as c
    left join verdict as v on v.place = c.place
    where c.place < 0 or v.is_accepted
),
first_claims as (
    select place, adds
    from counting
    qualify row_number() over (partition by sample_id, subject order by place) = 1
),
additions as (
    select place, list(distinct adds) as adds
    from first_claims
    where place >= 0
    group by place
)
select
    c.file_number,
    c.row_number,
    case
        when not v.is_accepted and starts_with(v.faults[1], 'prediction ')
            then 'a second, different prediction of model ' || c.model_version || ' as ' || c.role
                || ' for the sample; the first to arrive stays'
        when not v.is_accepted
            then 'contradicts what is known of the sample: another ' || array_to_string(v.faults, ', another ')
                || '; the first to arrive stays'
    end as reason,
    coalesce(a.adds, []) as adds
from contested_row as c
inner join verdict as v on v.place = c.place
left join additions as a on a.place = c.place
