-- one row per row of a version whose sample_id lies between two and that is given out: what is counted of it; a long
-- text only by its hash
insert into exported_row by name
with contents as (
    select
        s.sample_id,
        hash(any_value(s.recording_id)) as recording_key,
        hash(any_value(s.recording_id), any_value(s.object_id)) as object_key,
        any_value(s.observed_at) as observed_at,
        any_value(s.unit_id) as unit_id,
        any_value(s.media_uri) is not null as has_media,
        any_value(s.context) is not null as has_context
    from sample as s
    where s.sample_id between $first and $last
    group by s.sample_id
)
select
    m.sample_id,
    hash(m.group_id) as group_key,
    c.recording_key,
    c.object_key,
    c.observed_at,
    c.unit_id,
    c.has_media,
    c.has_context,
    m.label,
    m.label_value,
    m.weight,
    m.reason,
    m.case_names,
    r.origin,
    r.decided_by,
    r.decided_at,
    r.guideline_sha256,
    r.fix_id as label_fix_id,
    hash(r.batch_id) as file_key
from training_set_member as m
inner join contents as c on c.sample_id = m.sample_id
inner join label_revision as r on r.revision_id = m.revision_id
anti join withheld_row as w on w.sample_id = m.sample_id
where m.version = $version and m.sample_id between $first and $last
