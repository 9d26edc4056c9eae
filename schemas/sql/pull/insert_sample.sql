-- one row per sample that is new, or that rows of this chunk tell more about
insert into sample
select
    sample_id, recording_id, object_id, observed_at, attribute, unit_id, media_uri, context, batch_id, $known_at
from added_row
where not is_contested
union all
select
    sample_id,
    any_value(recording_id),
    any_value(object_id),
    any_value(observed_at),
    any_value(attribute),
    any_value(unit_id),
    any_value(media_uri),
    any_value(context),
    arg_min(batch_id, (file_number, row_number)),
    $known_at
from added_row
where is_contested and adds_sample
group by sample_id
