-- one row per fix that settles: its label, which replaces what the question was about
insert into label_revision
with observed as (
    select s.sample_id, any_value(s.observed_at) as observed_at
    from sample as s
    semi join new_outcome as n on n.sample_id = s.sample_id
    group by s.sample_id
)
select
    make_revision_id(n.sample_id, n.label, n.label_value, 'person', n.decided_by, n.decided_at, n.fix_id),
    n.sample_id,
    f.attribute,
    k.observed_at,
    n.label,
    n.label_value,
    'person',
    n.decided_by,
    n.decided_at,
    n.fix_id,
    null,
    n.guideline_sha256,
    f.about_revisions[1],
    $known_at
from new_outcome as n
inner join label_fix as f on f.fix_id = n.fix_id
inner join observed as k on k.sample_id = n.sample_id
anti join fix_outcome as o on o.fix_id = n.fix_id
where n.outcome = 'settled'
