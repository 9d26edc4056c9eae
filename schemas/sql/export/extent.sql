-- one row: how much is given out, over what time, and of how much of it something is not known
select
    count(*) as row_count,
    count(distinct group_key) as group_count,
    count(distinct recording_key) as recording_count,
    count(distinct object_key) as object_count,
    epoch_us(min(observed_at)) as first_observed_at,
    epoch_us(max(observed_at)) as last_observed_at,
    epoch_us(min(decided_at)) as first_decided_at,
    epoch_us(max(decided_at)) as last_decided_at,
    count(unit_id) as with_unit,
    count(*) filter (where has_media) as with_media,
    count(*) filter (where has_context) as with_context,
    count(decided_at) as with_decided_at,
    count(label_fix_id) as from_fixes,
    count(distinct file_key) as label_files,
    min(label_value) as least_value,
    median(label_value) as middle_value,
    max(label_value) as greatest_value
from exported_row
