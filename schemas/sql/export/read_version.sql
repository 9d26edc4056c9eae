-- one row at most: a training set as it was noted
select attribute, parent_version, running_number, composition, as_of, reserved_until, row_count, digest, state, known_at
from training_set
where version = $version
