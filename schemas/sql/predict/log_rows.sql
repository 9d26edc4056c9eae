-- one row per sample: a prediction log
select
    s.recording_id,
    s.object_id,
    s.observed_at,
    s.attribute,
    $model_version as model_version,
    coalesce(a.predicted, cast(a.predicted_value as varchar)) as predicted,
    a.confidence,
    'replay' as role,
    a.scores,
    s.features,
    s.feature_version,
    s.embedding,
    s.embedder,
    s.context,
    s.unit_id,
    s.media_uri
from sample_row as s
inner join answers as a on a.sample_id = s.sample_id
order by s.observed_at, s.sample_id
