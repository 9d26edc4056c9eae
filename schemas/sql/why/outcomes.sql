-- one row per outcome that a question about the sample had, in their order
select o.fix_id, o.outcome, o.revision_id, epoch_us(o.known_at) as known_at
from fix_outcome as o
inner join asked_attempt as q on q.fix_id = o.fix_id
semi join explained_sample as x on x.sample_id = q.sample_id
order by o.known_at
