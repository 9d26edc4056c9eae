-- one row: what a planned draw (drawn_member) would hold, and what it would leave of the attribute's groups
with reserved as (
    select distinct group_id from holdout_reserved where attribute = $attribute
),
drawn as (
    select m.sample_id, m.group_id, l.label, l.revision_id, p.predicted
    from drawn_member as m
    left join current_label as l on l.sample_id = m.sample_id
    left join current_prediction as p on p.sample_id = m.sample_id
),
free as (
    select distinct g.group_id
    from grouped_sample as g
    anti join reserved as r on r.group_id = g.group_id
    where g.attribute = $attribute
),
counted as (
    select
        count(*) as members,
        count(revision_id) as labelled,
        count(*) filter (where label = $truth) as of_truth,
        count(*) filter (where revision_id is null and predicted = $truth) as called_truth
    from drawn
),
taken as (
    select count(distinct d.group_id) as new_groups
    from drawn as d
    semi join free as f on f.group_id = d.group_id
)
select
    c.members,
    c.labelled,
    c.of_truth,
    c.called_truth,
    t.new_groups,
    (select count(*) from free) - t.new_groups as free_groups
from counted as c
cross join taken as t
