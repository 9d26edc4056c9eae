-- one row per way to end: how many fixes ended so at this moment, and how many labels were carried along a track
select outcome, count(*) as ended_count
from fix_outcome
where known_at = $known_at
group by outcome
union all
select 'carried' as outcome, count(*) as ended_count
from label_revision as r
inner join label_fix as f on f.fix_id = r.fix_id
where r.known_at = $known_at and r.sample_id <> f.sample_id
