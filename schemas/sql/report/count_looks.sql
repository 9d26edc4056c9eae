-- one row per hold-out: how many candidates were ever judged by it
select g.holdout_id, count(distinct g.candidate) as candidate_count
from gate_decision as g
inner join holdout as h on h.holdout_id = g.holdout_id
where h.attribute = $attribute and g.estimate is not null
group by g.holdout_id
order by g.holdout_id
