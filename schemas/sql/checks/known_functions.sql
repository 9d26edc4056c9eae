-- one row per function name out of $names, kind and stability that DuckDB knows, and whether it is built in
select distinct
    lower(function_name) as function_name,
    function_type,
    coalesce(stability, '') as stability,
    internal as is_internal
from duckdb_functions()
where list_contains($names::varchar[], lower(function_name))
