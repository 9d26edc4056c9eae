-- one row per label that a person gave to a question which decided a row's label
select a.fix_id, a.annotator, coalesce(n.present_label, a.answer) as label
from fix_answer as a
semi join exported_row as e on e.label_fix_id = a.fix_id
left join renamed_label as n on n.attribute = $attribute and n.old_label = a.answer
where a.answer not in ('unsure', 'unusable')
order by a.fix_id, a.annotator
