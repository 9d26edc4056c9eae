-- one row per row of a version whose recording was erased since: it has no label any more
insert into leaked_row
select version, sample_id, 'erased'
from training_set_member
where version = $version and coalesce(label, cast(label_value as varchar)) is null
