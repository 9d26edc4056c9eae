-- one row at most: how a version was made, and what it was when it was made
select
    attribute, parent_version, running_number, composition, as_of, reserved_until, digest, row_count, state, known_at
from training_set
where version = $version
