-- one row per sample in focus: its group, and its label where it has one and lies in no reserved group
select
    g.sample_id,
    g.group_id,
    case when r.group_id is null then coalesce(l.label, cast(l.label_value as varchar)) end as label
from grouped_sample as g
left join current_label as l on l.sample_id = g.sample_id
left join (select distinct group_id from holdout_reserved where attribute = $attribute) as r
    on r.group_id = g.group_id
where g.attribute = $attribute
