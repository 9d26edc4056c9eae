-- one row per function name out of $names, kind and stability that DuckDB knows, and whether it is built in;
-- what is called here is qualified, since a macro of the warehouse could have the same name
select distinct
    system.main.lower(function_name) as function_name,
    function_type,
    coalesce(stability, '') as stability,
    internal as is_internal
from system.main.duckdb_functions()
where system.main.lower(function_name) = any(select unnest($names::varchar[]))
