-- one row per fitted answer outside reserved groups, as numbers from 0: item, annotator, answer, truth (-1: unknown)
with reserved as (
    select g.sample_id
    from grouped_sample as g
    inner join holdout_reserved as r on r.attribute = $attribute and r.group_id = g.group_id
)
select
    dense_rank() over (order by a.fix_id, a.guideline) - 1 as item,
    a.annotator,
    list_position($labels, a.answer) - 1 as answer,
    coalesce(list_position($labels, a.truth), 0) - 1 as truth,
    a.is_rated
from rated_answer as a
anti join reserved as r on r.sample_id = a.sample_id
order by item, a.annotator
