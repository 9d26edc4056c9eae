-- one row per reason for which a version holds rows
select reason, count(*) as row_count
from training_set_member
where version = $version
group by reason
order by reason
