-- one row per row of the log at hand, with its attribute's rules and what follows from its columns
create or replace temp view ruled_row as
with typed as (
    select
        l.*,
        a.kind,
        a.labels,
        c.spelled as context_spelled,
        c.problem as context_problem,
        s.entries as scores_entries,
        s.spelled as scores_spelled,
        s.problem as scores_problem
    from log_row as l
    left join attribute_rule as a on a.attribute = l.attribute
    left join object_text as c on c.raw = l.context and not c.is_scores
    left join object_text as s on s.raw = l.scores and s.is_scores
)
select
    *,
    coalesce(role, 'served') as role_taken,
    case when has_predicted_at then predicted_at else observed_at end as predicted_at_taken,
    case when kind = 'number' then try_cast(predicted as double) end as predicted_value,
    case when kind = 'number' then try_cast(label as double) end as label_value,
    vector_square(features, filled_features) as features_square,
    vector_square(embedding, filled_embedding) as embedding_square,
    case when has_features then 'features:' || coalesce(feature_version, '1') end as feature_space,
    case when has_embedding then coalesce(embedder, model_version) end as embedding_space
from typed
