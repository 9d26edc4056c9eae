-- one row per attribute and case: how many members and groups all other cases' latest hold-outs have together, each
-- sample and group once
with latest as (
    select attribute, case_name, arg_max(holdout_id, version) as holdout_id
    from holdout
    where not starts_with(case_name, 'overall:')
    group by attribute, case_name
),
members as (
    select l.attribute, l.case_name, m.sample_id, m.group_id, z.holdout_id is not null as is_frozen
    from latest as l
    inner join holdout_member as m on m.holdout_id = l.holdout_id
    left join holdout_freeze as z on z.holdout_id = l.holdout_id
    where not m.is_seen
)
select
    l.attribute,
    l.case_name,
    count(distinct m.sample_id) as member_count,
    count(distinct m.group_id) as group_count,
    bool_and(m.is_frozen) as is_frozen
from latest as l
inner join members as m on m.attribute = l.attribute and m.case_name <> l.case_name
group by l.attribute, l.case_name
order by l.attribute, l.case_name
