-- one row per training row of a version that neither leaks nor is restricted now (leaked_row: those that do), with all
-- that a trainer may learn from
select
    m.sample_id,
    v.vector as features,
    k.media_uri,
    cast(k.context as varchar) as context,
    m.group_id,
    k.recording_id,
    k.object_id,
    k.observed_at,
    k.unit_id,
    e.vector as embedding,
    case when $is_number then cast(m.label_value as varchar) else coalesce(n.present_label, m.label) end as label,
    m.weight,
    r.origin,
    m.reason
from training_set_member as m
inner join known_sample as k on k.sample_id = m.sample_id
inner join label_revision as r on r.revision_id = m.revision_id
left join renamed_label as n on n.attribute = $attribute and n.old_label = m.label
left join chosen_vector as v on v.sample_id = m.sample_id and v.space = $feature_space
left join chosen_vector as e on e.sample_id = m.sample_id and e.space = $embedding_space
anti join leaked_row as w on w.version = m.version and w.sample_id = m.sample_id
where m.version = $version
order by m.sample_id
