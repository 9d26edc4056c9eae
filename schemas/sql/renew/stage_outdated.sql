-- one row per label of a fix that was settled under another guideline than the present one and is not asked again
-- already; those that a frozen hold-out rests on first
insert into wanted_fix by name
with held_out as (
    select distinct m.sample_id
    from frozen_holdout as z
    inner join holdout_member as m on m.holdout_id = z.holdout_id
    where z.attribute = $attribute
),
outdated as (
    select l.sample_id
    from current_label as l
    inner join label_fix as f on f.fix_id = l.fix_id
    where l.attribute = $attribute
        and l.revision_id is not null
        and f.sample_id = l.sample_id
        and l.guideline_sha256 is distinct from $guideline_sha256
)
select
    o.sample_id,
    $attribute as attribute,
    'guideline' as reason,
    fix_priority('guideline', null, false, case when h.sample_id is null then 0.0 else 1.0 end) as priority,
    $guideline_sha256 as guideline_sha256
from outdated as o
left join held_out as h on h.sample_id = o.sample_id
anti join open_fix as f on f.sample_id = o.sample_id
