-- one row per attribute, case and class of its latest hold-out's members ('': no class known), and one of all classes
-- together (null), since a group may hold several
with latest as (
    select attribute, case_name, arg_max(holdout_id, version) as holdout_id
    from holdout
    group by attribute, case_name
),
members as (
    select l.attribute, l.case_name, l.holdout_id, m.sample_id, m.group_id
    from latest as l
    inner join holdout_member as m on m.holdout_id = l.holdout_id
    where not m.is_seen
)
select
    m.attribute,
    m.case_name,
    m.holdout_id,
    case when grouping(coalesce(c.label, '')) = 0 then coalesce(c.label, '') end as label,
    count(*) as member_count,
    count(distinct m.group_id) as group_count,
    bool_or(z.holdout_id is not null) as is_frozen
from members as m
left join current_label as c on c.sample_id = m.sample_id
left join holdout_freeze as z on z.holdout_id = m.holdout_id
group by grouping sets (
    (m.attribute, m.case_name, m.holdout_id, coalesce(c.label, '')),
    (m.attribute, m.case_name, m.holdout_id)
)
order by m.attribute, m.case_name, label
