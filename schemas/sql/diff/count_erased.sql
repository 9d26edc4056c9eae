-- one row: whether an erasure named the version, and how many of its rows it took the content from
select
    coalesce((select bool_or(list_contains(versions, $version)) from erasure), false) as is_named,
    (
        select count(*)
        from training_set_member
        where version = $version and label is null and label_value is null
    ) as erased_rows
