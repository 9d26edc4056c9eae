-- one row per sample with a served prediction: the incumbent's, else the latest
select
    p.prediction_id,
    p.sample_id,
    p.attribute,
    p.model_version,
    coalesce(n.present_label, p.predicted) as predicted,
    p.predicted_value,
    p.confidence,
    p.scores,
    p.predicted_at,
    p.batch_id,
    p.known_at
from prediction as p
left join incumbent as i on i.attribute = p.attribute and i.model_version = p.model_version
left join renamed_label as n on n.attribute = p.attribute and n.old_label = p.predicted
where p.role = 'served'
qualify row_number() over (
    partition by p.sample_id
    order by (i.model_version is not null) desc, p.predicted_at desc, p.model_version desc
) = 1
