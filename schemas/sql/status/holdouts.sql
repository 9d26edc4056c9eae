-- one row per attribute and case that has a hold-out: its latest version, and whether that is frozen
with latest as (
    select attribute, case_name, arg_max(holdout_id, version) as holdout_id, max(version) as version
    from holdout
    group by attribute, case_name
)
select
    l.attribute,
    l.case_name,
    l.holdout_id,
    l.version,
    z.holdout_id is not null as is_frozen
from latest as l
left join holdout_freeze as z on z.holdout_id = l.holdout_id
order by l.attribute, l.case_name
