-- one row per finding that is open
select watch, subject, message, found_at, told_at
from open_finding
order by watch, subject
