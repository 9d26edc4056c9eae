-- one row per table of the warehouse: its columns, and those of them that hold text
select
    c.table_name,
    list(c.column_name order by c.column_index) as columns,
    list(c.column_name order by c.column_index)
        filter (where c.data_type in ('VARCHAR', 'JSON', 'VARCHAR[]')) as texts
from duckdb_columns() as c
inner join duckdb_tables() as t
    on t.database_name = c.database_name and t.schema_name = c.schema_name and t.table_name = c.table_name
where c.database_name = 'wh' and c.schema_name = 'main'
group by c.table_name
order by c.table_name
