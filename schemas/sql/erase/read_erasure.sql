-- one row per run that erased something under this tombstone
select versions, models, holdouts, because, known_at
from erasure
where tombstone = $tombstone
order by known_at
