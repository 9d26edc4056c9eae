-- one row per row of a staged label file, and why it was refused, if it was, now or when it was pulled
create or replace temp table file_row as
with refused as (
    select row_number, min(reason) as reason
    from quarantined_row
    where batch_id = make_batch_id($sha256)
    group by row_number
)
select s.row_number, s.sample_id, s.revision_id, s.attribute, coalesce(r.reason, s.reason) as refused
from staged_row as s
left join refused as r on r.row_number = s.row_number
