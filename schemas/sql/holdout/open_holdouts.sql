-- one row per case's latest hold-out that is not frozen: how many members it has, how many lack a label
with latest as (
    select attribute, case_name, arg_max(holdout_id, version) as holdout_id
    from holdout
    group by attribute, case_name
),
ended as (
    select f.sample_id, arg_max(o.outcome, f.attempt) as outcome
    from label_fix as f
    inner join fix_outcome as o on o.fix_id = f.fix_id
    where o.outcome in ('ambiguous', 'unusable', 'settled')
    group by f.sample_id
)
select
    h.holdout_id,
    h.case_name,
    h.attribute,
    count(*) as members,
    count(*) filter (
        where l.revision_id is null and coalesce(e.outcome, '') not in ('ambiguous', 'unusable')
    ) as missing
from holdout as h
semi join latest as t on t.holdout_id = h.holdout_id
inner join holdout_member as m on m.holdout_id = h.holdout_id
left join current_label as l on l.sample_id = m.sample_id
left join ended as e on e.sample_id = m.sample_id
anti join holdout_freeze as z on z.holdout_id = h.holdout_id
group by h.holdout_id, h.case_name, h.attribute
order by h.holdout_id
