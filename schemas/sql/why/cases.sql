-- one row per failure case that the sample is or was a member of, or that asked about it
with members as (
    select
        m.case_name,
        min(m.known_at) as member_since,
        arg_min(m.found_by, m.known_at) as found_by,
        arg_min(m.score, m.known_at) as score
    from case_member as m
    group by m.case_name
),
asked as (
    select r.case_name, list_sort(list(distinct r.reason)) as asked_as, min(r.known_at) as asked_since
    from fix_request as r
    inner join label_fix as f on f.fix_id = r.fix_id
    semi join explained_sample as e on e.sample_id = f.sample_id
    where r.case_name is not null
    group by r.case_name
),
states as (
    select case_name, arg_max(state, known_at) as state
    from case_state
    group by case_name
),
named as (
    select case_name from members
    union
    select case_name from asked
)
select
    n.case_name,
    s.state,
    p.case_name is not null as is_member,
    epoch_us(m.member_since) as member_since,
    m.found_by,
    m.score,
    coalesce(a.asked_as, []) as asked_as,
    epoch_us(a.asked_since) as asked_since
from named as n
left join members as m on m.case_name = n.case_name
left join asked as a on a.case_name = n.case_name
left join states as s on s.case_name = n.case_name
left join present_member as p on p.case_name = n.case_name
order by n.case_name
