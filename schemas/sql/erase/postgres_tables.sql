-- one row per table of the catalogue's schema (run on PostgreSQL)
select c.relname
from pg_class as c
inner join pg_namespace as n on n.oid = c.relnamespace
where n.nspname = %s and c.relkind = 'r'
order by c.relname
