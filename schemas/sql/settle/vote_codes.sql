-- one row per vote of a fix whose voters are all known by enough rated answers, as numbers from 0
with known as (
    select v.fix_id
    from fix_vote as v
    left join annotator_accuracy as c on c.annotator = v.annotator
    where list_contains($labels, v.answer)
    group by v.fix_id
    having min(coalesce(c.rated_count, 0)) >= $rated_at_least
)
select
    v.fix_id,
    dense_rank() over (order by v.fix_id) - 1 as item,
    c.accuracy,
    list_position($labels, v.answer) - 1 as answer
from fix_vote as v
semi join known as k on k.fix_id = v.fix_id
inner join annotator_accuracy as c on c.annotator = v.annotator
where list_contains($labels, v.answer)
order by item, v.annotator
