-- one row: what the list is called, a hash of all that stands in it
select id_of(
    $attribute || chr(31) || coalesce(
        string_agg(sample_id || revision_id || case when is_taken then '1' else '0' end, chr(31) order by sample_id), ''
    )
)
from listed_row
