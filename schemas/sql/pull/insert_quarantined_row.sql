-- one row per row of one file that is quarantined, as it came; of what was erased only that it was refused
insert into quarantined_row
with refused as (
    select
        f.batch_id,
        b.row_number,
        b.reason,
        w.raw,
        b.reason = 'erased' or (s.recording_id is null and names_erased(w.raw)) as is_erased
    from bad_row as b
    inner join fresh_file as f on f.file_number = b.file_number
    inner join raw_row as w on w.row_number = b.row_number
    inner join staged_row as s on s.file_number = b.file_number and s.row_number = b.row_number
    where b.file_number = $file_number
)
select
    batch_id,
    row_number,
    case when is_erased then 'erased' else reason end,
    case when is_erased then '' else raw end,
    $known_at
from refused
order by row_number
