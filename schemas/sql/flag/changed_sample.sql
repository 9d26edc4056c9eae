-- one row per sample of an attribute of which anything became known after $since; flags only if they matter
create or replace temp table changed_sample as
select sample_id from prediction where known_at > $since and attribute = $attribute and role = 'served'
union
select sample_id from sample where known_at > $since and attribute = $attribute
union
select sample_id from label_revision where known_at > $since and attribute = $attribute
union
select sample_id from misprediction where $with_flags and known_at > $since and attribute = $attribute
union
select f.sample_id
from fix_outcome as o
inner join label_fix as f on f.fix_id = o.fix_id
where o.known_at > $since and f.attribute = $attribute
union
select r.sample_id
from fix_outcome as o
inner join label_revision as r on r.fix_id = o.fix_id
where o.known_at > $since and r.attribute = $attribute
