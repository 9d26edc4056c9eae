-- one row per training set of the line, the first one first
select
    v.version, v.attribute, v.parent_version, v.row_count, v.digest, v.state,
    epoch_us(v.as_of) as as_of, epoch_us(v.known_at) as known_at
from training_set as v
inner join traced_line as t on t.kind = 'training_set' and t.id = v.version
order by v.known_at, v.version
