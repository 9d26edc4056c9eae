-- one row per prediction of the sample; `is_current`: the one that counts as what was served
select
    p.prediction_id,
    p.model_version,
    p.role,
    coalesce(n.present_label, p.predicted) as predicted,
    p.predicted_value,
    p.confidence,
    epoch_us(p.predicted_at) as predicted_at,
    p.batch_id,
    epoch_us(p.known_at) as known_at,
    c.prediction_id is not null as is_current
from prediction as p
left join renamed_label as n on n.attribute = p.attribute and n.old_label = p.predicted
left join current_prediction as c on c.prediction_id = p.prediction_id
order by p.predicted_at, p.model_version, p.role
