-- one row per model, frozen hold-out and sample that was not stored yet
insert into holdout_prediction
select n.model_version, z.holdout_id, n.sample_id, n.predicted, n.predicted_value, n.confidence
from new_prediction as n
inner join (
    select z.holdout_id, m.sample_id
    from frozen_holdout as z
    inner join holdout_member as m on m.holdout_id = z.holdout_id
    where z.attribute = $attribute
) as z on z.sample_id = n.sample_id
anti join holdout_prediction as p
    on p.model_version = n.model_version and p.holdout_id = z.holdout_id and p.sample_id = n.sample_id
order by n.model_version, z.holdout_id, n.sample_id
