-- one row at most: the training set of that name, or where none is named the attribute's latest
select
    version,
    attribute,
    parent_version,
    composition,
    epoch_us(as_of) as as_of,
    epoch_us(reserved_until) as reserved_until,
    state,
    epoch_us(known_at) as known_at
from training_set
where version = $version or ($version is null and attribute = $attribute)
order by running_number desc
limit 1
