-- one row per refused answer: its reason, and the row as it came
insert into quarantined_row
select $batch_id, j.row_number, j.reason, r.raw, $known_at
from judged_answer as j
inner join answer_file as r on r.row_number = j.row_number
where j.reason is not null
