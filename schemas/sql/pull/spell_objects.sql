-- the same rows, each with its one spelling, or with what is wrong with it
update object_text
set
    problem = case
        -- DuckDB 2 makes no map of an object that names a key twice
        when entries is null and json_type(try_cast(raw as json)) = 'OBJECT' then 'names a key twice'
        when entries is null then 'is no JSON object'
        when len(list_filter(entries, lambda e: json_type(e.value) in ('OBJECT', 'ARRAY'))) > 0
            then 'holds a nested value'
        when len(list_distinct(list_transform(entries, lambda e: nfc_normalize(e.key)))) < len(entries)
            then 'names a key twice'
        when len(list_filter(
            entries,
            lambda e: json_type(e.value) = 'DOUBLE' and not isfinite(try_cast(e.value as double))
        )) > 0
            then 'holds a number that is not finite'
    end,
    spelled = case when len(entries) > 0 then spell_object(entries, is_scores) end
