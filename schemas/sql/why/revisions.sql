-- one row per label revision: whether it counts, or what became of it
with judged as (
    select
        r.*,
        e.outcome,
        e.known_at as ended_at,
        r.fix_id is null or coalesce(e.outcome = 'settled', false) as is_counting
    from label_revision as r
    left join fix_end as e on e.fix_id = r.fix_id
),
replacements as (
    select supersedes as revision_id, revision_id as replaced_by, known_at
    from judged
    where is_counting and supersedes is not null
    union
    select unnest(f.about_revisions) as revision_id, c.revision_id as replaced_by, c.known_at
    from judged as c
    inner join label_fix as f on f.fix_id = c.fix_id
    where c.is_counting
),
replaced as (
    select revision_id, arg_min(replaced_by, known_at) as replaced_by
    from replacements
    group by revision_id
),
files as (
    select batch_id, arg_min(source_uri, known_at) as source_uri
    from pull_batch
    group by batch_id
)
select
    r.revision_id,
    coalesce(n.present_label, r.label) as label,
    r.label as label_as_given,
    r.label_value,
    r.origin,
    r.decided_by,
    epoch_us(r.decided_at) as decided_at,
    r.fix_id,
    r.fix_id is not null and q.sample_id is distinct from r.sample_id as is_carried,
    r.batch_id,
    f.source_uri,
    r.guideline_sha256,
    epoch_us(r.known_at) as known_at,
    case
        when not r.is_counting then coalesce(r.outcome, 'withdrawn')
        when d.revision_id is not null then 'replaced'
        when l.revision_id = r.revision_id then 'counts'
        when l.revision_id is null then 'disputed'
        else 'outranked'
    end as state,
    case when r.is_counting then d.replaced_by end as replaced_by,
    case when not r.is_counting then epoch_us(r.ended_at) end as ended_at
from judged as r
left join replaced as d on d.revision_id = r.revision_id
left join current_label as l on l.sample_id = r.sample_id
left join label_fix as q on q.fix_id = r.fix_id
left join files as f on f.batch_id = r.batch_id
left join renamed_label as n on n.attribute = r.attribute and n.old_label = r.label
order by r.known_at, r.decided_at, r.revision_id
