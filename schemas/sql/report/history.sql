-- one row per model, hold-out version, metric and slice: a figure, models in the order in which they came
with latest as (
    select
        model_version,
        holdout_id,
        metric,
        slice,
        arg_max({'value': value, 'low': low, 'high': high, 'n': n}, known_at) as figure
    from evaluation
    group by model_version, holdout_id, metric, slice
),
accepted as (
    select distinct model_version
    from sign_off
    where decision in ('accept', 'import')
)
select
    h.case_name,
    h.version,
    l.metric,
    l.slice,
    l.model_version,
    l.figure,
    a.model_version is not null as is_accepted,
    epoch_us(m.known_at) as known_at
from latest as l
inner join model as m on m.model_version = l.model_version
inner join holdout as h on h.holdout_id = l.holdout_id
left join accepted as a on a.model_version = l.model_version
where m.attribute = $attribute and m.role <> 'control'
order by h.case_name, h.version, m.known_at, l.model_version, l.metric, l.slice
