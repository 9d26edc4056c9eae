-- one row per hold-out and labelled, unseen member: the truth and what each model made of it;
-- unseen both at the draw and by the incumbent of today (seen_group)
select
    z.case_name,
    z.holdout_id,
    m.sample_id,
    m.group_id,
    m.inclusion_probability,
    coalesce(n.present_label, r.label) as truth,
    r.label_value as truth_value,
    c.predicted as candidate,
    c.predicted_value as candidate_value,
    c.confidence as candidate_confidence,
    k.predicted as control,
    k.predicted_value as control_value,
    k.confidence as control_confidence,
    i.predicted as incumbent,
    i.predicted_value as incumbent_value,
    i.confidence as incumbent_confidence
from frozen_holdout as z
inner join holdout_member as m on m.holdout_id = z.holdout_id
inner join holdout_label as l on l.holdout_id = m.holdout_id and l.sample_id = m.sample_id
inner join label_revision as r on r.revision_id = l.revision_id
left join renamed_label as n on n.attribute = r.attribute and n.old_label = r.label
inner join new_prediction as c on c.sample_id = m.sample_id and c.model_version = $candidate
left join new_prediction as k on k.sample_id = m.sample_id and k.model_version = $control
left join new_prediction as i on i.sample_id = m.sample_id and i.model_version = $incumbent
anti join seen_group as x on x.group_id = m.group_id
where z.attribute = $attribute and not m.is_seen
order by z.case_name, m.sample_id
