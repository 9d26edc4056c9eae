-- one row per listed row of the attribute: its line, how it is shown in an error, and the id it would have
create or replace temp table listed_id as
select
    row_number() over () as line,
    concat_ws(' ', recording_id, object_id, observed_at) as shown,
    make_sample_id(
        cast(recording_id as varchar),
        cast(object_id as varchar),
        try_cast(observed_at as timestamptz),
        $attribute
    ) as sample_id
from listed_row
where coalesce(cast(attribute as varchar), $attribute) = $attribute
