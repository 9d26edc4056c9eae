-- one row per sample, model and role that is new
insert into prediction
select
    make_prediction_id(sample_id, model_version, role, predicted, predicted_value),
    sample_id, attribute, observed_at, model_version, role, predicted, predicted_value, confidence, scores,
    predicted_at, batch_id, $known_at
from added_row
where role is not null and adds_prediction
