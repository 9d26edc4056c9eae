-- one row per label that is new
insert into label_revision by name
select
    revision_id, sample_id, attribute, observed_at, label, label_value, origin, decided_by, decided_at, batch_id,
    $known_at as known_at
from added_row
where revision_id is not null and adds_revision
