-- one row per check of a training set that names the sample as an offender
select c.version, c.check_name, q.requirement
from check_failure as c
semi join explained_sample as x on x.sample_id = c.sample_id
left join quality_check as q on q.version = c.version and q.check_name = c.check_name
order by c.version, c.check_name
