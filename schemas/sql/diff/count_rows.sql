-- one row: how many rows each side has, and how many stand in both as they were
select
    (select count(*) from row_before) as old_row_count,
    (select count(*) from row_after) as new_row_count,
    (
        select count(*)
        from row_before as b
        semi join row_after as a on a.sample_id = b.sample_id
        anti join (select sample_id from changed_row where change <> 'other_lineage') as c
            on c.sample_id = b.sample_id
    ) as same_row_count
