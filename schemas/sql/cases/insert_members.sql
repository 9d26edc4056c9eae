-- one row per case, sample and prediction that the case's definition matches and that was not known yet
insert into case_member
select n.case_name, n.sample_id, n.found_by, n.score, n.prediction_id, n.definition_sha256, $known_at
from new_member as n
anti join case_member as m
    on m.case_name = n.case_name
    and m.sample_id = n.sample_id
    and m.prediction_id = n.prediction_id
    and m.definition_sha256 = n.definition_sha256
