-- one row per served prediction that its sample's current label contradicts; the hair beside the tolerance is for
-- decimal fractions, which are no binary ones: 2.2 lies 0.2 from 2.0
select s.sample_id, s.prediction_id, 1.0 as score, l.revision_id
from served_sample as s
inner join current_label as l on l.sample_id = s.sample_id
where l.revision_id is not null
    and case
        when $tolerance is null then s.predicted is distinct from l.label
        else abs(s.predicted_value - l.label_value) > $tolerance * (1 + 1e-9)
    end
