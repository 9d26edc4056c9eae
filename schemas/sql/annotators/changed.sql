-- one row per settled fix that would not have settled so without the people left out of fix_vote
with touched as (
    select distinct fix_id from fix_vote
)
select
    t.fix_id,
    r.sample_id,
    coalesce(n.present_label, r.label) as label,
    r.decided_by,
    coalesce(o.label, o.outcome, 'open') as without_them
from touched as t
inner join label_fix as f on f.fix_id = t.fix_id
inner join label_revision as r on r.fix_id = t.fix_id and r.sample_id = f.sample_id
left join renamed_label as n on n.attribute = f.attribute and n.old_label = r.label
left join new_outcome as o on o.fix_id = t.fix_id
where coalesce(o.label, o.outcome, 'open') <> coalesce(n.present_label, r.label)
order by t.fix_id
