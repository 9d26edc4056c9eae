-- one row per person: what they answered of an attribute, and how their known items went
with answers as (
    select
        a.*,
        coalesce(n.present_label, a.answer) as present_answer,
        k.fix_id is not null as is_known,
        coalesce(m.present_label, k.label) as truth,
        k.label_value as truth_value
    from fix_answer as a
    inner join asked_attempt as q on q.fix_id = a.fix_id
    left join known_item as k on k.fix_id = a.fix_id
    left join renamed_label as n on n.attribute = q.attribute and n.old_label = a.answer
    left join renamed_label as m on m.attribute = q.attribute and m.old_label = k.label
    where q.attribute = $attribute
)
select
    annotator,
    count(*) as answer_count,
    count(*) filter (where answer in ('unsure', 'unusable')) as without_label_count,
    count(*) filter (where saw_prediction) as saw_prediction_count,
    median(seconds) as median_seconds,
    count(*) filter (where is_known and answer not in ('unsure', 'unusable')) as known_count,
    count(*) filter (
        where is_known and (present_answer = truth or abs(answer_value - truth_value) <= $tolerance * (1 + 1e-9))
    ) as known_right_count
from answers
group by annotator
order by annotator
