-- one row per case and reason that wanted a question about the sample
select r.fix_id, r.case_name, r.reason, r.misprediction_id, epoch_us(r.known_at) as known_at
from fix_request as r
inner join asked_attempt as q on q.fix_id = r.fix_id
semi join explained_sample as x on x.sample_id = q.sample_id
order by r.known_at, r.case_name nulls first, r.reason
