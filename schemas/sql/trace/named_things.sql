-- one row per training set, model, hold-out or failure case that the trace met
select distinct far_kind as kind, far_id as id
from traced_edge
where far_kind in ('training_set', 'model', 'holdout', 'failure_case')
order by far_kind, far_id
