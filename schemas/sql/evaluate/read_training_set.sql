-- one row at most: the named version of an attribute, or its latest one
select version, state, reserved_until, row_count
from training_set
where attribute = $attribute and ($version is null or version = $version)
order by running_number desc
limit 1
