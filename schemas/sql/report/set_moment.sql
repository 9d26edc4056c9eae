-- one row at most: the moment that a version is of
select epoch_us(as_of) as as_of
from training_set
where version = $version
