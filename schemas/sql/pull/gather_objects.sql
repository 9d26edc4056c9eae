-- one row per distinct text of a context or of scores that the file at hand holds
insert into object_text (raw, is_scores, entries)
with texts as (
    select context as raw, false as is_scores from log_row where context is not null
    union
    select scores, true from log_row where scores is not null
)
select
    raw,
    is_scores,
    list_filter(
        try(map_entries(cast(try_cast(raw as json) as map(varchar, json)))),
        lambda e: e.value is not null and json_type(e.value) <> 'NULL'
    )
from texts
