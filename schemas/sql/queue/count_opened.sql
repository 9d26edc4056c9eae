-- one row: fixes that are open, and those opened since a moment that count towards the weekly budget
select
    (select count(*) from open_fix) as open_count,
    count(*) as opened_count
from label_fix
where known_at > $since and reason not in ('holdout', 'watch')
