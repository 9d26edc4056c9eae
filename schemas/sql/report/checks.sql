-- one row per quality check of a version, those that did not pass first
select check_name, requirement, passed, observed, failing_count
from quality_check
where version = $version
order by passed, requirement, check_name
