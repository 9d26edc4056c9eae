-- one row where a version was made from another, through however many parents: how many
with recursive line as (
    select version, parent_version, 0 as steps
    from training_set
    where version = $version
    union all
    select t.version, t.parent_version, l.steps + 1
    from training_set as t
    inner join line as l on l.parent_version = t.version
)
select min(steps) as steps
from line
where version = $ancestor
