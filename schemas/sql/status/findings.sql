-- one row per finding of the limits of [watch] that is open
select watch, subject, message, epoch_us(found_at) as found_at
from open_finding
order by watch, subject
