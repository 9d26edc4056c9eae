-- one row per sample that models are to answer (asked_sample), without anything about labels;
-- one without features is left out where the trainer needs them: no model can answer it
select
    k.sample_id,
    v.vector as features,
    k.media_uri,
    cast(k.context as varchar) as context,
    g.group_id,
    k.recording_id,
    k.object_id,
    k.observed_at,
    k.unit_id,
    e.vector as embedding
from (
    select sample_id, min(group_id) as group_id
    from asked_sample
    group by sample_id
) as g
inner join known_sample as k on k.sample_id = g.sample_id
left join chosen_vector as v on v.sample_id = k.sample_id and v.space = $feature_space
left join chosen_vector as e on e.sample_id = k.sample_id and e.space = $embedding_space
where v.vector is not null or not $needs_features
order by k.sample_id
