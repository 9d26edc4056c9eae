-- one row per answer to a question about the sample
select
    a.fix_id,
    a.annotator,
    a.answer,
    a.answer_value,
    a.saw_prediction,
    epoch_us(a.answered_at) as answered_at,
    a.note,
    a.guideline_sha256,
    a.batch_id,
    epoch_us(a.known_at) as known_at
from fix_answer as a
inner join asked_attempt as q on q.fix_id = a.fix_id
semi join explained_sample as x on x.sample_id = q.sample_id
order by coalesce(a.answered_at, a.known_at), a.annotator
