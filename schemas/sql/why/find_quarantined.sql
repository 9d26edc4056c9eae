-- one row per refused row whose content names the recording, and the object and the time if one is asked for
with named as (
    select batch_id, row_number, reason, known_at, try_cast(raw as json) as fields
    from quarantined_row
    -- JSON may spell a letter in several ways, but never these
    where contains(raw, $recording_id) or not regexp_full_match($recording_id, '[A-Za-z0-9_.:-]+')
),
read as (
    select
        batch_id,
        row_number,
        reason,
        known_at,
        nfc_normalize((fields->>'$.recording_id')) as recording_id,
        nfc_normalize((fields->>'$.object_id')) as object_id,
        (fields->>'$.attribute') as attribute,
        (fields->>'$.observed_at') as observed_text
    from named
),
files as (
    select batch_id, arg_min(source_uri, known_at) as source_uri
    from pull_batch
    group by batch_id
)
select r.batch_id, f.source_uri, r.row_number, r.reason, epoch_us(r.known_at) as known_at
from read as r
left join files as f on f.batch_id = r.batch_id
where r.recording_id = $recording_id
    and ($object_id is null or r.object_id = $object_id)
    and ($attribute is null or r.attribute = $attribute)
    and (
        $moment is null
        or case
            when regexp_full_match(trim(r.observed_text), '\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d(\.\d+)?)?([Zz]|[+-]\d\d(:?\d\d)?)?')
                then try_cast(trim(r.observed_text) as timestamptz) = $moment::timestamptz
        end
    )
order by r.known_at, f.source_uri, r.row_number
