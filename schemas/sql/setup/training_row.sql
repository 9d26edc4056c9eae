-- no row, with the columns of assemble/training_row: what a check of the user's own may name
create or replace temp view training_row as
select
    m.sample_id,
    m.group_id,
    m.revision_id,
    m.label,
    m.label_value,
    r.origin,
    r.decided_at,
    r.known_at as settled_at,
    m.weight,
    m.reason,
    m.fix_id,
    m.case_name,
    m.case_names,
    m.prediction_id,
    cast(null as bigint) as feature_length,
    cast(null as boolean) as is_finite,
    cast(null as boolean) as is_reserved,
    cast(null as boolean) as lot_passed,
    k.recording_id,
    k.object_id,
    k.observed_at,
    k.unit_id,
    k.media_uri,
    k.context
from training_set_member as m
inner join label_revision as r on r.revision_id = m.revision_id
inner join known_sample as k on k.sample_id = m.sample_id
where false
