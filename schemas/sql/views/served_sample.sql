-- one row per served prediction: its sample, what was predicted, and the truth as far as it is known
select
    s.sample_id,
    s.recording_id,
    s.object_id,
    s.observed_at,
    s.attribute,
    s.unit_id,
    s.media_uri,
    s.context,
    s.truth,
    s.truth_value,
    p.prediction_id,
    p.model_version,
    coalesce(n.present_label, p.predicted) as predicted,
    p.predicted_value,
    p.confidence,
    p.scores,
    p.predicted_at
from prediction as p
inner join current_sample as s on s.sample_id = p.sample_id
left join renamed_label as n on n.attribute = p.attribute and n.old_label = p.predicted
where p.role = 'served'
