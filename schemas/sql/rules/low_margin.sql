-- one row per served prediction whose two best scores lie close together, unless its truth is known to agree
-- score: 1 - margin; without scores the margin is at least 2 * confidence - 1, and never below 0
with margins as (
    select
        s.sample_id,
        s.prediction_id,
        s.predicted,
        s.truth,
        list_sort(map_values(cast(s.scores as map(varchar, double))), 'desc') as ranked,
        s.confidence
    from served_sample as s
    where s.attribute = $attribute
),
doubts as (
    select
        sample_id,
        prediction_id,
        coalesce(ranked[1] - ranked[2], greatest(2 * confidence - 1, 0)) as margin
    from margins
    where truth is distinct from predicted
)
select d.sample_id, d.prediction_id, 1 - d.margin as score, l.revision_id
from doubts as d
left join current_label as l on l.sample_id = d.sample_id
where d.margin < $threshold
