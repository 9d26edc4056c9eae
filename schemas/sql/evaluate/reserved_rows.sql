-- one row: how many rows of a version belong to groups that are reserved now, one of them, and a digest of all
select
    count(*),
    min(m.sample_id),
    sha256(coalesce(string_agg(m.sample_id, chr(10) order by m.sample_id), ''))
from training_set_member as m
semi join holdout_reserved as r on r.attribute = $attribute and r.group_id = m.group_id
where m.version = $version
