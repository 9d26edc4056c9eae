-- one row per decision on a model, the latest first
select decision, against_verdict, signed_by, account, host, note, epoch_us(known_at) as known_at
from sign_off
where model_version = $model
order by known_at desc
