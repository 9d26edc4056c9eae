-- one row per folder that a set was exported to, with the version and the files that it was given last
select folder, arg_max(version, known_at) as version, arg_max(files, known_at) as files
from exported_set
group by folder
order by folder
