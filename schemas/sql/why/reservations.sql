-- one row per hold-out case that the sample's group is reserved for, since when, and whether the sample is itself a
-- member of one of its hold-outs
with reserved as (
    select case_name, min(known_at) as known_at
    from wh.main.holdout_reserved
    where attribute = $attribute and group_id = $group_id
    group by case_name
),
member_of as (
    select h.case_name, min(h.known_at) as known_at
    from wh.main.holdout_member as m
    semi join explained_sample as x on x.sample_id = m.sample_id
    inner join wh.main.holdout as h on h.holdout_id = m.holdout_id
    where h.attribute = $attribute
    group by h.case_name
),
named as (
    select case_name from reserved
    union
    select case_name from member_of
)
select
    n.case_name,
    epoch_us(least(r.known_at, m.known_at)) as known_at,
    m.case_name is not null as is_member
from named as n
left join reserved as r on r.case_name = n.case_name
left join member_of as m on m.case_name = n.case_name
order by 2, n.case_name
