-- one row per new answer
insert into fix_answer
select
    fix_id, annotator, answer, answer_value, false, answered_at, seconds, note, $batch_id, $known_at
from judged_answer
where reason is null and not is_duplicate
