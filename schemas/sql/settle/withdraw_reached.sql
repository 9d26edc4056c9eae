-- one row per open fix whose sample has got its label from its track, unless a second look was asked for
insert into fix_outcome by name
select o.fix_id, 'withdrawn' as outcome, null as revision_id, $known_at as known_at
from open_fix as o
inner join label_revision as r on r.sample_id = o.sample_id
where r.known_at = $known_at
    and r.attribute = $attribute
    and r.fix_id <> o.fix_id
    and o.reason not in ('second_look', 'guideline', 'watch')
