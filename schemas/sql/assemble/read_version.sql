-- one row at most: how a version was made, and its digest
select attribute, parent_version, composition, as_of, reserved_until, digest, row_count, state
from training_set
where version = $version
