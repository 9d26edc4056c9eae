-- one row per refused row that may be the recording's: `is_certain` where its own fields say so, else a text in it
with read as (
    select batch_id, row_number, raw, try_cast(raw as json) as fields
    from quarantined_row
    where raw <> ''
),
judged as (
    select
        batch_id,
        row_number,
        raw,
        coalesce(
            nfc_normalize((fields->>'$.recording_id')) = $recording_id
            and ($object_id is null or nfc_normalize((fields->>'$.object_id')) = $object_id),
            false
        )
        or coalesce(trim((fields->>'$.sample_id')) in (select sample_id from erased_sample), false)
        or coalesce(trim((fields->>'$.fix_id')) in (select fix_id from erased_fix), false) as is_certain
    from read
)
select batch_id, row_number, raw, is_certain
from judged
where is_certain or len(list_filter(cast($spellings as varchar[]), lambda x: contains(raw, x))) > 0
