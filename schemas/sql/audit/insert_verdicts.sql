-- one row per lot that is decided
insert into audit_verdict by name
select n.lot_id, n.verdict, n.wrong_count, $known_at as known_at
from new_verdict as n
anti join audit_verdict as v on v.lot_id = n.lot_id
order by n.lot_id
