-- one row per overtaken fix that is still open
insert into fix_outcome by name
select o.fix_id, 'withdrawn' as outcome, null as revision_id, $known_at as known_at
from open_fix as o
semi join overtaken_fix as t on t.fix_id = o.fix_id
