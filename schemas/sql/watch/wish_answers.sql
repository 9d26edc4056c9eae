-- one row per drawn sample that no person's label tells the truth of, and whose question did not end without one
insert into wanted_fix
with ended as (
    select f.sample_id
    from label_fix as f
    inner join fix_end as e on e.fix_id = f.fix_id
    where e.outcome in ('ambiguous', 'unusable', 'settled')
    group by f.sample_id
    having arg_max(e.outcome, f.attempt) in ('ambiguous', 'unusable')
)
select
    d.sample_id,
    d.attribute,
    'watch',
    fix_priority('watch', null, false, 0.0),
    null,
    null,
    p.prediction_id,
    $guideline_sha256
from drawn_sample as d
left join current_label as l on l.sample_id = d.sample_id
left join current_prediction as p on p.sample_id = d.sample_id
anti join ended as e on e.sample_id = d.sample_id
where d.attribute = $attribute and (l.revision_id is null or l.origin <> 'person')
