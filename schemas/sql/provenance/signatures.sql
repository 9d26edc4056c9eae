-- one row per decision of a person on a model of the line
select s.model_version, s.decision, s.signed_by, s.against_verdict, epoch_us(s.known_at) as known_at
from sign_off as s
semi join traced_line as t on t.id = s.model_version
order by s.known_at, s.model_version
