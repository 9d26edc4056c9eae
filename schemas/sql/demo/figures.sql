-- one row per hold-out, metric and slice that two models of an attribute, and their control, were measured on
select
    h.case_name,
    e.metric,
    e.slice,
    arg_max(e.value, e.known_at) filter (where e.model_version = $before) as before_value,
    arg_max(e.value, e.known_at) filter (where e.model_version = $control) as control_value,
    arg_max(e.value, e.known_at) filter (where e.model_version = $after) as after_value,
    max(e.n) filter (where e.model_version = $after) as sample_count
from evaluation as e
inner join holdout as h on h.holdout_id = e.holdout_id
where e.model_version in ($before, $control, $after)
group by h.case_name, e.metric, e.slice
order by h.case_name, e.metric, e.slice
