-- one row per reason and case (of several the most severe) of a version's rows
select reason, case_name, count(*) as row_count
from training_set_member
where version = $version
group by reason, case_name
order by reason, case_name nulls first
