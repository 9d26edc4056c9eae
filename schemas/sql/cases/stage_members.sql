-- one row per flagged served prediction that a case matches (case_match: its view, made beside this)
insert into new_member
select
    $case_name,
    c.sample_id,
    array_to_string(c.rules, ','),
    c.score,
    c.prediction_id,
    $definition_sha256
from case_match as c
where c.attribute = $attribute
