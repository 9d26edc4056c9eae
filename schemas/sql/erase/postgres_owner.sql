-- one row: whether this login may vacuum the table, as its owner or a superuser (run on PostgreSQL)
select pg_has_role(c.relowner, 'USAGE') or (select rolsuper from pg_roles where rolname = current_user)
from pg_class as c
inner join pg_namespace as n on n.oid = c.relnamespace
where n.nspname = %s and c.relname = %s
