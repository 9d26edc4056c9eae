-- one row per check of a version, the strict ones first
select check_name, requirement, passed, observed, failing_count
from quality_check
where version = $version
order by requirement, check_name
