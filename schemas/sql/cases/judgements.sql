-- one row per criterion on a hold-out of the case: the latest few that the gate wrote down
select
    g.candidate,
    g.criterion,
    g.estimate,
    g.low,
    g.high,
    g.margin,
    g.verdict,
    g.reason,
    epoch_us(g.known_at) as known_at
from gate_decision as g
inner join holdout as h on h.holdout_id = g.holdout_id
where h.case_name = $case_name
order by g.known_at desc, g.criterion
limit 10
