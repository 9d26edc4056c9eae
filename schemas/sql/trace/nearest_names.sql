-- one row per name of this kind of thing, the few that are most like the one that was written
with known as (
    select 'training_set' as kind, version as name from training_set
    union
    select 'model', model_version from model
    union
    select 'recording', recording_id from sample
)
select name
from known
where kind = $kind
order by levenshtein(name, $id), name
limit 5
