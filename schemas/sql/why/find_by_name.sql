-- one row per sample of that recording, or recording and object, or recording, object and time; the first few, in
-- order of time; `match_count` is how many there are
with matching as (
    select
        sample_id,
        any_value(recording_id) as recording_id,
        any_value(object_id) as object_id,
        any_value(observed_at) as observed_at,
        any_value(attribute) as attribute
    from sample
    where recording_id = nfc_normalize($name)
        or (starts_with(nfc_normalize($name), recording_id) and recording_id || '/' || object_id = nfc_normalize($name))
        or (
            $moment is not null
            and observed_at = $moment::timestamptz
            and recording_id || '/' || object_id = nfc_normalize($head)
        )
    group by sample_id
)
select * replace (epoch_us(observed_at) as observed_at), count(*) over () as match_count
from matching
order by observed_at, recording_id, object_id, attribute
limit $at_most
