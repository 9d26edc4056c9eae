-- one row per settled fix outside reserved groups that somebody below the floor had a part in, and answer of the
-- others that was there when it settled
create or replace temp table fix_vote as
with reserved as (
    select g.sample_id
    from grouped_sample as g
    inner join holdout_reserved as r on r.attribute = $attribute and r.group_id = g.group_id
),
settled as (
    select f.fix_id, f.sample_id, r.guideline_sha256, e.known_at as ended_at
    from label_fix as f
    inner join fix_end as e on e.fix_id = f.fix_id
    inner join label_revision as r on r.fix_id = f.fix_id and r.sample_id = f.sample_id
    anti join reserved as h on h.sample_id = f.sample_id
    where f.attribute = $attribute and e.outcome = 'settled'
),
touched as (
    select s.*
    from settled as s
    semi join (select fix_id from fix_answer where list_contains($annotators, annotator)) as a
        on a.fix_id = s.fix_id
)
select
    t.fix_id,
    t.sample_id,
    a.annotator,
    coalesce(n.present_label, a.answer) as answer,
    a.answer_value,
    a.answered_at,
    t.guideline_sha256
from touched as t
left join fix_answer as a
    on a.fix_id = t.fix_id
    and a.guideline_sha256 is not distinct from t.guideline_sha256
    and a.known_at <= t.ended_at
    and not list_contains($annotators, a.annotator)
left join renamed_label as n on n.attribute = $attribute and n.old_label = a.answer
