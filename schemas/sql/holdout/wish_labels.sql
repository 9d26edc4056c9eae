-- one row per drawn sample that has no truth and did not end without one
insert into wanted_fix
with ended as (
    select f.sample_id
    from label_fix as f
    inner join fix_outcome as o on o.fix_id = f.fix_id
    where o.outcome in ('ambiguous', 'unusable', 'settled')
    group by f.sample_id
    having arg_max(o.outcome, f.attempt) in ('ambiguous', 'unusable')
)
select
    d.sample_id,
    $attribute,
    'holdout',
    fix_priority('holdout', null, false, 0.0),
    $case_name,
    null,
    p.prediction_id,
    $guideline_sha256
from drawn_member as d
left join current_label as l on l.sample_id = d.sample_id
left join current_prediction as p on p.sample_id = d.sample_id
anti join ended as e on e.sample_id = d.sample_id
where l.revision_id is null
