-- one row at most: the version that holds exactly the same, made in the same way
select version, state
from training_set
where attribute = $attribute and digest = $digest and composition = $composition
    and parent_version is not distinct from $parent_version
order by known_at
limit 1
