-- one row per training row and rule that had flagged its prediction by the version's as_of
with rules as (
    select distinct m.version, m.sample_id, f.rule
    from training_set_member as m
    inner join training_set as v on v.version = m.version
    inner join misprediction as f
        on f.prediction_id = m.prediction_id and f.sample_id = m.sample_id
    where m.reason = 'fixed' and f.known_at <= v.as_of
),
-- by version, although a sample has one recording: so a version's lineage looks at its own samples alone
recordings as (
    select distinct m.version, m.sample_id, s.recording_id
    from training_set_member as m
    inner join sample as s on s.sample_id = m.sample_id
),
files as (
    select batch_id, arg_min(source_uri, known_at) as source_uri, min(content_sha256) as content_sha256
    from pull_batch
    group by batch_id
)
select
    m.version,
    m.sample_id,
    s.recording_id,
    coalesce(m.label, cast(m.label_value as varchar)) as label,
    m.label_value,
    m.revision_id,
    r.origin,
    r.decided_by,
    m.reason,
    m.fix_id,
    m.case_name,
    m.case_names,
    case
        when r.fix_id is not null then string_split(r.decided_by, ',')
        when r.decided_by is not null then [r.decided_by]
    end as annotators,
    u.rule,
    m.prediction_id,
    p.model_version,
    p.batch_id,
    pf.source_uri,
    pf.content_sha256,
    r.batch_id as label_batch_id,
    lf.source_uri as label_source_uri,
    lf.content_sha256 as label_content_sha256
from training_set_member as m
inner join training_set as v on v.version = m.version
left join recordings as s on s.version = m.version and s.sample_id = m.sample_id
left join label_revision as r on r.revision_id = m.revision_id
left join prediction as p on p.prediction_id = m.prediction_id
left join files as pf on pf.batch_id = p.batch_id
left join files as lf on lf.batch_id = r.batch_id
left join rules as u on u.version = m.version and u.sample_id = m.sample_id
