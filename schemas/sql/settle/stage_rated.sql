-- one row per answer that tells how right its annotator is: to a known item, or to a question that several people
-- answered with a label under one guideline; the latest $at_most of them. Only known items and questions of three or
-- more answers count as rated (is_rated), but all are fitted: a third answer is asked for where two differ, so those
-- questions alone would make everybody look worse than they are
create or replace temp table rated_answer as
with labelled as (
    select
        a.fix_id,
        q.sample_id,
        coalesce(a.guideline_sha256, '') as guideline,
        a.annotator,
        coalesce(n.present_label, a.answer) as answer,
        coalesce(m.present_label, k.label) as truth,
        a.known_at
    from fix_answer as a
    inner join asked_attempt as q on q.fix_id = a.fix_id
    left join known_item as k on k.fix_id = a.fix_id
    left join renamed_label as n on n.attribute = q.attribute and n.old_label = a.answer
    left join renamed_label as m on m.attribute = q.attribute and m.old_label = k.label
    where q.attribute = $attribute and list_contains($labels, coalesce(n.present_label, a.answer))
),
counted as (
    select *, count(*) over (partition by fix_id, guideline) as raters
    from labelled
)
select fix_id, sample_id, guideline, annotator, answer, truth, truth is not null or raters >= 3 as is_rated
from counted
where truth is not null or raters >= 2
order by known_at desc, fix_id, annotator
limit $at_most
