-- one row per new answer, under the guideline that the person was shown: the file's word, else the question's own
insert into fix_answer by name
select
    j.fix_id,
    j.annotator,
    j.answer,
    j.answer_value,
    j.saw_prediction,
    j.answered_at,
    j.seconds,
    j.note,
    coalesce(j.guideline_sha256, f.guideline_sha256) as guideline_sha256,
    $batch_id as batch_id,
    $known_at as known_at
from judged_answer as j
left join label_fix as f on f.fix_id = j.fix_id
where j.reason is null and not j.is_duplicate and not j.is_taken_back
