-- a row if a log brought a sample of the unit since a moment ('all units': of any)
select 1
from sample as s
semi join pull_batch as b on b.batch_id = s.batch_id and b.kind = 'predictions'
where s.known_at > $since and ($unit = 'all units' or coalesce(s.unit_id, '(no unit)') = $unit)
limit 1
