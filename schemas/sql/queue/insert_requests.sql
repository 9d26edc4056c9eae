-- one row per open fix, case and reason that was not noted yet
insert into fix_request
with wishes as (
    select
        o.fix_id,
        w.case_name,
        w.reason,
        min(w.misprediction_id) as misprediction_id,
        min(w.prediction_id) as prediction_id
    from wanted_fix as w
    inner join open_fix as o on o.sample_id = w.sample_id
    group by o.fix_id, w.case_name, w.reason
)
select w.fix_id, w.case_name, w.reason, w.misprediction_id, w.prediction_id, $known_at
from wishes as w
anti join fix_request as r
    on r.fix_id = w.fix_id
    and r.case_name is not distinct from w.case_name
    and r.reason = w.reason
