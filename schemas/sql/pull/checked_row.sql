-- one row per row of the log at hand, with the first promise of the contract that it breaks
create or replace temp view checked_row as
select
    *,
    coalesce(
        problem,
        case
            when recording_id is null then 'recording_id is missing'
            when object_id is null then 'object_id is missing'
            when not has_observed_at then 'observed_at is missing'
            when attribute is null then 'attribute is missing'
            when observed_at is null then 'observed_at is no time; expected ISO 8601, as in 2024-05-01T10:00:00Z'
            when observed_at < timestamptz '1970-01-01' or observed_at >= timestamptz '2200-01-01'
                then 'observed_at is outside the years 1970 to 2199'
            when kind is null
                then 'attribute ''' || left(attribute, 100) || ''' is not in turnrow.toml; known are '
                    || (select string_agg(attribute, ', ' order by attribute) from attribute_rule)
            when greatest(length(recording_id), length(object_id)) > 500
                then 'recording_id or object_id has more than 500 characters'
            when has_control(recording_id) or has_control(object_id)
                then 'recording_id or object_id holds a control character'
            when length(unit_id) > 500 then 'unit_id has more than 500 characters'
            when has_control(unit_id) then 'unit_id holds a control character'
            when length(media_uri) > 2000 then 'media_uri has more than 2000 characters'
            when has_control(media_uri) then 'media_uri holds a control character'
            when context_problem is not null
                then 'context ' || context_problem || '; expected a JSON object of scalars'
            when length(context_spelled) > 20000 then 'context has more than 20000 characters'
        end,
        case when is_prediction then name_prediction_fault(
            kind, labels, model_version, predicted, predicted_value, has_confidence, confidence,
            role_taken, has_predicted_at, predicted_at
        ) end,
        case when scores is not null then name_scores_fault(labels, scores_entries, scores_problem) end,
        case when label is not null or origin is not null or not is_prediction
            then name_label_fault(kind, labels, label, label_value, origin, is_prediction) end,
        case
            when length(decided_by) > 2000 then 'decided_by has more than 2000 characters'
            when has_control(decided_by) then 'decided_by holds a control character'
            when has_decided_at and decided_at is null
                then 'decided_at is no time; expected ISO 8601, as in 2024-05-01T10:00:00Z'
            when decided_at < timestamptz '1970-01-01' or decided_at >= timestamptz '2200-01-01'
                then 'decided_at is outside the years 1970 to 2199'
        end,
        case when has_features
            then name_vector_fault('features', features, features_square, feature_version) end,
        case
            when has_embedding and embedding_space is null
                then 'embedding has no embedder; expected the name of its space'
            when has_embedding and starts_with(embedding_space, 'features:')
                then 'embedder starts with ''features:'', which is kept for features; expected another name'
            when has_embedding
                then name_vector_fault('embedding', embedding, embedding_square, embedding_space)
        end
    ) as reason
from ruled_row
