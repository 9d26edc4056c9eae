-- one row per failure case that has rows in a version which the incumbent's training set does not hold
with new_row as (
    select m.sample_id, unnest(m.case_names) as case_name
    from training_set_member as m
    anti join training_set_member as p on p.version = $parent_version and p.sample_id = m.sample_id
    where m.version = $version
)
select case_name, count(distinct sample_id) as new_rows
from new_row
group by case_name
order by case_name
