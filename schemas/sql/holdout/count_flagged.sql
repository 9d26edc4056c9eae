-- one row: how many unseen members there are, and how many of them are flagged
select count(*) as members, count(*) filter (where stratum = 'flagged') as flagged
from drawn_member
where not is_seen
