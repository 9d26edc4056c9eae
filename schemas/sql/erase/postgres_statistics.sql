-- one row per column of which the server keeps sampled values (run on PostgreSQL)
select attname
from pg_stats
where schemaname = %s and tablename = %s
order by attname
