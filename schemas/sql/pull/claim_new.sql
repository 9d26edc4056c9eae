-- one row per thing that a contested row says of its sample
insert into claim
select place, sample_id, 'sample', 'sample', '', 0.0 from contested_row
union all
select place, sample_id, 'sample', 'unit_id', unit_id, 0.0 from contested_row where unit_id is not null
union all
select place, sample_id, 'sample', 'media_uri', media_uri, 0.0 from contested_row where media_uri is not null
union all
select place, sample_id, 'sample', 'context', context, 0.0 from contested_row where context is not null
union all
select
    place, sample_id, 'prediction', name_prediction(model_version, role),
    spell_prediction(predicted, predicted_value, scores, predicted_at), coalesce(confidence, -1.0)
from contested_row
where role is not null
union all
select place, sample_id, 'features', 'vector ' || feature_space, cast(features_hash as varchar), 0.0
from contested_row
where features_hash is not null
union all
select place, sample_id, 'embedding', 'vector ' || embedding_space, cast(embedding_hash as varchar), 0.0
from contested_row
where embedding_hash is not null
union all
select place, sample_id, 'revision', 'revision ' || revision_id, '', 0.0
from contested_row
where revision_id is not null
