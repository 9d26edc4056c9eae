-- From which versions did this one grow, and how many rows did each bring?
-- of a training_set
-- one row per version and reason, the latest first
with recursive line as (
    select version, parent_version, 0 as steps_back
    from training_set
    where version = $id
    union
    select v.version, v.parent_version, l.steps_back + 1
    from training_set as v
    inner join line as l on l.parent_version = v.version
)
select l.steps_back, l.version, m.reason, count(*) as row_count
from line as l
inner join training_set_member as m on m.version = l.version
anti join training_set_member as p on p.version = l.parent_version and p.sample_id = m.sample_id
group by l.steps_back, l.version, m.reason
order by l.steps_back, m.reason
