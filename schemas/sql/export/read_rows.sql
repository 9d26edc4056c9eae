-- one row per row that is given out and whose sample_id lies between two, in order of sample_id, with its features: the
-- first that were known
with given as (
    select m.*
    from training_set_member as m
    anti join withheld_row as w on w.sample_id = m.sample_id
    where m.version = $version and m.sample_id between $first and $last
),
contents as (
    select
        s.sample_id,
        any_value(s.recording_id) as recording_id,
        any_value(s.object_id) as object_id,
        any_value(s.observed_at) as observed_at,
        any_value(s.attribute) as attribute,
        any_value(s.unit_id) as unit_id,
        any_value(s.media_uri) as media_uri,
        any_value(s.context) as context
    from sample as s
    where s.sample_id between $first and $last
    group by s.sample_id
),
repeated as (
    select v.sample_id, min(v.known_at) as first_at
    from sample_vector as v
    where v.space = $feature_space and v.sample_id between $first and $last
    group by v.sample_id
    having count(*) > 1
),
vectors as (
    select v.sample_id, v.vector
    from sample_vector as v
    left join repeated as r on r.sample_id = v.sample_id
    where v.space = $feature_space and v.sample_id between $first and $last
        and (r.sample_id is null or v.known_at = r.first_at)
)
select
    g.sample_id,
    g.group_id,
    c.recording_id,
    c.object_id,
    c.observed_at,
    c.attribute,
    c.unit_id,
    c.media_uri,
    cast(c.context as varchar) as context,
    v.vector as features,
    $feature_version as feature_version,
    coalesce(g.label, cast(g.label_value as varchar)) as label,
    g.label_value,
    g.weight,
    g.reason,
    r.origin,
    r.decided_by,
    r.decided_at,
    g.revision_id,
    g.fix_id,
    g.case_names
from given as g
inner join contents as c on c.sample_id = g.sample_id
inner join label_revision as r on r.revision_id = g.revision_id
inner join vectors as v on v.sample_id = g.sample_id
order by g.sample_id
