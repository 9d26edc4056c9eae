-- one row per sample that stands in only one of the two versions: those of which the other one has to say why
create or replace temp table moved_row as
select sample_id
from changed_row
where change = $change
