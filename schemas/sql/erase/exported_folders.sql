-- one row per folder that a set was exported to, with the version that it was given last
select folder, arg_max(version, known_at) as version
from exported_set
group by folder
order by folder
