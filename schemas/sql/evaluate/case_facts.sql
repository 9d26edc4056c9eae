-- one row per failure case of the attribute: its new rows in a version, and its frozen hold-out if it has one
with new_row as (
    select m.sample_id, unnest(m.case_names) as case_name
    from training_set_member as m
    inner join training_set as v on v.version = m.version
    anti join training_set_member as p on p.version = v.parent_version and p.sample_id = m.sample_id
    where m.version = $version
),
counted as (
    select case_name, count(distinct sample_id) as new_rows
    from new_row
    group by case_name
),
cases as (
    select distinct case_name from failure_case where attribute = $attribute
)
select c.case_name, coalesce(n.new_rows, 0) as new_rows, z.holdout_id
from cases as c
left join counted as n on n.case_name = c.case_name
left join frozen_holdout as z on z.case_name = c.case_name and z.attribute = $attribute
order by c.case_name
