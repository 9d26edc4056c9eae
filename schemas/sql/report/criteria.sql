-- one row per criterion of a candidate's latest verdict, the verdict itself last
select
    g.criterion,
    g.baseline,
    case when m.role = 'control' then 'control' when g.baseline is not null then 'incumbent' end as baseline_role,
    h.case_name as holdout,
    h.version as holdout_version,
    g.estimate,
    g.low,
    g.high,
    g.margin,
    g.p_value,
    g.verdict,
    g.reason,
    g.judged_by,
    epoch_us(g.known_at) as known_at
from gate_decision as g
left join model as m on m.model_version = g.baseline
left join holdout as h on h.holdout_id = g.holdout_id
where g.candidate = $model
qualify g.known_at = max(g.known_at) over ()
order by g.criterion = 'overall', g.criterion, coalesce(g.baseline, '')
