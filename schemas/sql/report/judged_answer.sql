-- one row per hold-out and sample that the gate judged by: the truth, what the models before and after made of it, and
-- whether that is right (null: no answer)
create or replace temp table judged_answer as
with answers as (
    select
        p.model_version,
        p.holdout_id,
        p.sample_id,
        coalesce(n.present_label, p.predicted) as predicted,
        p.predicted_value,
        p.confidence
    from holdout_prediction as p
    left join renamed_label as n on n.attribute = $attribute and n.old_label = p.predicted
    where p.model_version in ($incumbent, $candidate)
),
judged as (
    select
        z.case_name,
        z.holdout_id,
        m.sample_id,
        m.group_id,
        coalesce(n.present_label, r.label) as truth,
        r.label_value as truth_value
    from frozen_holdout as z
    inner join holdout_member as m on m.holdout_id = z.holdout_id
    inner join holdout_label as l on l.holdout_id = m.holdout_id and l.sample_id = m.sample_id
    inner join label_revision as r on r.revision_id = l.revision_id
    left join renamed_label as n on n.attribute = r.attribute and n.old_label = r.label
    anti join seen_group as x on x.group_id = m.group_id
    where z.attribute = $attribute and not m.is_seen
)
select
    j.case_name,
    j.holdout_id,
    j.sample_id,
    j.group_id,
    coalesce(j.truth, cast(j.truth_value as varchar)) as truth,
    coalesce(b.predicted, cast(b.predicted_value as varchar)) as before,
    coalesce(a.predicted, cast(a.predicted_value as varchar)) as after,
    case
        when $tolerance is null then b.predicted = j.truth
        else abs(b.predicted_value - j.truth_value) <= $tolerance * (1 + 1e-9)
    end as is_right_before,
    case
        when $tolerance is null then a.predicted = j.truth
        else abs(a.predicted_value - j.truth_value) <= $tolerance * (1 + 1e-9)
    end as is_right_after,
    a.confidence
from judged as j
inner join answers as a
    on a.holdout_id = j.holdout_id and a.sample_id = j.sample_id and a.model_version = $candidate
left join answers as b
    on b.holdout_id = j.holdout_id and b.sample_id = j.sample_id and b.model_version = $incumbent
