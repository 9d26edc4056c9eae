-- one row at most: the version that holds exactly the same, made in the same way, with the same outcome of its
-- checks; for a moment of the past any such version, for now only the attribute's latest
select version
from training_set
where attribute = $attribute
qualify digest = $digest and composition = $composition and state = $state
    and parent_version is not distinct from $parent_version
    and ($is_past or running_number = max(running_number) over ())
order by running_number desc
limit 1
