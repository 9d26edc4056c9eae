-- one row per contested row that can be judged now: refused where an accepted row (or the warehouse) says
-- otherwise; accepted where nothing earlier that is still open could
insert into verdict
with accepted as (
    select c.sample_id, c.subject, min_by(c.value, c.place) as value, min_by(c.number, c.place) as number
    from claim as c
    left join verdict as v on v.place = c.place
    where c.place < 0 or v.is_accepted
    group by c.sample_id, c.subject
),
open_claims as (
    select
        c.*,
        min(c.value) over earlier as low_value,
        max(c.value) over earlier as high_value,
        min(c.number) over earlier as low_number,
        max(c.number) over earlier as high_number
    from claim as c
    anti join verdict as v on v.place = c.place
    where c.place >= 0
    window earlier as (
        partition by c.sample_id, c.subject order by c.place
        rows between unbounded preceding and current row
    )
),
judged as (
    select
        o.place,
        case
            when a.subject is not null
                then o.value = a.value and abs(o.number - a.number) <= 1e-6
            when o.low_value = o.high_value and o.high_number - o.low_number <= 1e-6 then true
        end as agrees,
        case when a.subject is not null and (o.value <> a.value or abs(o.number - a.number) > 1e-6)
            then o.subject end as fault
    from open_claims as o
    left join accepted as a on a.sample_id = o.sample_id and a.subject = o.subject
)
select place, min(fault) is null as is_accepted, list_sort(list(fault) filter (where fault is not null)) as faults
from judged
group by place
having count(fault) > 0 or count(agrees) = count(*)
