-- one row per served prediction that a rule of the user's own matches (rule_match: its view, made beside this)
select m.sample_id, m.prediction_id, 1.0 as score, l.revision_id
from rule_match as m
left join current_label as l on l.sample_id = m.sample_id
where m.attribute = $attribute
