-- On what was this model, and every model that it was warmed from, trained?
-- of a model
-- one row per model, the latest first
with recursive line as (
    select model_version, parent_version, training_set_version, role, 0 as steps_back
    from model
    where model_version = $id
    union
    select m.model_version, m.parent_version, m.training_set_version, m.role, l.steps_back + 1
    from model as m
    inner join line as l on l.parent_version = m.model_version
)
select l.steps_back, l.model_version, l.role, l.training_set_version, v.row_count
from line as l
left join training_set as v on v.version = l.training_set_version
order by l.steps_back
