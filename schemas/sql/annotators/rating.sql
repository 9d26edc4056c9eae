-- one row per label given to a label fix outside reserved groups: question (under one guideline), person, label
create or replace temp table rating as
with reserved as (
    select g.sample_id
    from grouped_sample as g
    inner join holdout_reserved as r on r.attribute = $attribute and r.group_id = g.group_id
)
select
    a.fix_id || coalesce(a.guideline_sha256, '') as question,
    f.fix_id,
    a.annotator,
    coalesce(n.present_label, a.answer) as label
from fix_answer as a
inner join label_fix as f on f.fix_id = a.fix_id
left join renamed_label as n on n.attribute = f.attribute and n.old_label = a.answer
anti join reserved as r on r.sample_id = f.sample_id
where f.attribute = $attribute and list_contains($labels, coalesce(n.present_label, a.answer))
