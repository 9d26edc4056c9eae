-- one row: what the list is called, a hash of the labels that the file gives, whatever its format and order; and how
-- many of its rows are of the attribute, good or bad
select
    id_of(
        $attribute || chr(31) || coalesce(
            string_agg(distinct sample_id || revision_id, chr(31) order by sample_id || revision_id)
                filter (where reason is null),
            ''
        )
    ),
    count(*)
from staged_row
where attribute = $attribute
