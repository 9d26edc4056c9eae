-- one row per row of the log at hand, as it would be stored
insert into staged_row
with named as (
    select
        *,
        case when reason is null then make_sample_id(recording_id, object_id, observed_at, attribute) end
            as sample_id
    from checked_row
)
select
    $file_number,
    row_number,
    reason,
    sample_id,
    hash(sample_id),
    recording_id,
    object_id,
    observed_at,
    attribute,
    unit_id,
    media_uri,
    context_spelled,
    feature_space,
    len(features),
    embedding_space,
    len(embedding),
    model_version,
    case when is_prediction then role_taken end,
    case when kind = 'class' then predicted end,
    predicted_value + 0.0,
    confidence,
    scores_spelled,
    case when is_prediction then predicted_at_taken end,
    case when reason is null and label is not null then make_revision_id(
        sample_id, case when kind = 'class' then label end, label_value, origin, decided_by, decided_at, null
    ) end,
    case when kind = 'class' then label end,
    label_value + 0.0,
    origin,
    decided_by,
    decided_at
from named
