-- one row per frozen hold-out of an attribute that models are judged on
select holdout_id
from frozen_holdout
where attribute = $attribute
order by holdout_id
