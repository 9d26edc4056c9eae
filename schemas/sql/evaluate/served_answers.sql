-- one row per asked sample that a model without an artefact has predicted, in service or in a replay
insert into new_prediction
select p.model_version, p.sample_id, coalesce(n.present_label, p.predicted), p.predicted_value, p.confidence
from prediction as p
semi join asked_sample as h on h.sample_id = p.sample_id
left join renamed_label as n on n.attribute = p.attribute and n.old_label = p.predicted
where p.model_version = $model_version
qualify row_number() over (partition by p.sample_id order by p.role desc) = 1
