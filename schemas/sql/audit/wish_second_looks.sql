-- one row per refused fix that is to be asked anew, and per case and reason that had asked for it: so what is
-- settled anew is a row of its case as before
insert into wanted_fix
with severities as (
    select case_name, arg_max(severity, known_at) as severity
    from failure_case
    group by case_name
),
ranked as (
    select
        f.fix_id,
        f.sample_id,
        greatest(f.priority, max(fix_priority('second_look', v.severity, false, 0.0))) as priority
    from refused_fix as f
    left join fix_request as q on q.fix_id = f.fix_id
    left join severities as v on v.case_name = q.case_name
    where f.attribute = $attribute
    group by f.fix_id, f.sample_id, f.priority
)
select sample_id, $attribute, 'second_look', priority, null, null, null, $guideline_sha256
from ranked
union all
select
    r.sample_id, $attribute, q.reason, 0.0, q.case_name, q.misprediction_id, q.prediction_id, $guideline_sha256
from ranked as r
inner join fix_request as q on q.fix_id = r.fix_id
