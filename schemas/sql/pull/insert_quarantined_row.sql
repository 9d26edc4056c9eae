-- one row per row of one file that is quarantined, as it came
insert into quarantined_row
select f.batch_id, b.row_number, b.reason, w.raw, $known_at
from bad_row as b
inner join fresh_file as f on f.file_number = b.file_number
inner join raw_row as w on w.row_number = b.row_number
where b.file_number = $file_number
order by b.row_number
