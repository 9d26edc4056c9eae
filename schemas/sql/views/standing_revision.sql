-- one row per label revision that counts and that no counting revision replaces
with counting as (
    select r.*
    from label_revision as r
    left join fix_end as e on e.fix_id = r.fix_id
    where r.fix_id is null or e.outcome = 'settled'
),
replaced as (
    select supersedes as revision_id
    from counting
    where supersedes is not null
    union
    select unnest(f.about_revisions) as revision_id
    from counting as c
    inner join label_fix as f on f.fix_id = c.fix_id
)
select
    c.*,
    coalesce(n.present_label, c.label) as present_label,
    case c.origin when 'person' then 1 when 'machine' then 2 else 3 end as origin_rank
from counting as c
anti join replaced as d on d.revision_id = c.revision_id
left join renamed_label as n on n.attribute = c.attribute and n.old_label = c.label
