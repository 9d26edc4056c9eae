-- one row per fix whose label counts no longer
insert into fix_outcome by name
select a.fix_id, a.outcome, a.revision_id, $known_at as known_at
from audited_outcome as a
inner join fix_end as e on e.fix_id = a.fix_id
where e.outcome = 'settled'
order by a.fix_id
