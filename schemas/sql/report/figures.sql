-- one row per hold-out, metric and slice that a candidate was measured on: incumbent, control and candidate; without
-- the counts of a confusion, which `confusion` has of the samples that are still there
with latest as (
    select
        model_version,
        holdout_id,
        metric,
        slice,
        arg_max({'value': value, 'low': low, 'high': high, 'n': n}, known_at) as figure
    from evaluation
    where model_version in ($incumbent, $control, $candidate) and not starts_with(metric, 'called=')
    group by model_version, holdout_id, metric, slice
)
select
    z.case_name,
    z.version,
    l.metric,
    l.slice,
    any_value(l.figure) filter (where l.model_version = $incumbent) as before,
    any_value(l.figure) filter (where l.model_version = $control) as control,
    any_value(l.figure) filter (where l.model_version = $candidate) as after
from latest as l
inner join frozen_holdout as z on z.holdout_id = l.holdout_id
where z.attribute = $attribute
group by z.case_name, z.version, l.metric, l.slice
order by z.case_name <> 'overall:' || $attribute, z.case_name, l.metric, l.slice
