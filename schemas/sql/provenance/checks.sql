-- one row per check of a training set of the line
select c.version, c.check_name, c.requirement, c.passed, c.observed
from quality_check as c
semi join traced_line as t on t.id = c.version
order by c.version, c.check_name
