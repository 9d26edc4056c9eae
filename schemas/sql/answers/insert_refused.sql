-- one row per refused answer: its reason, and the row as it came, unless its question went with what was erased
insert into quarantined_row
select
    $batch_id,
    j.row_number,
    j.reason,
    case when is_erased_fix(j.fix_id) then '' else r.raw end,
    $known_at
from judged_answer as j
inner join answer_file as r on r.row_number = j.row_number
where j.reason is not null
