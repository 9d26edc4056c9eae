-- one row per sample that may not be queued and has no label
insert into unaskable
select r.sample_id
from restricted_sample as r
left join current_label as l on l.sample_id = r.sample_id
where l.revision_id is null
