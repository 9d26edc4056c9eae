-- one row: fixes of a case that are open, or were answered since its attribute's last candidate
with last_round as (
    select coalesce(max(known_at), timestamptz '1970-01-01 00:00:00+00') as known_at
    from model
    where attribute = $attribute and role = 'candidate'
),
asked as (
    select distinct fix_id from fix_request where case_name = $case_name and reason <> 'holdout'
)
select count(distinct a.fix_id)
from asked as a
left join fix_outcome as o on o.fix_id = a.fix_id
cross join last_round as z
where o.fix_id is null or o.known_at > z.known_at
