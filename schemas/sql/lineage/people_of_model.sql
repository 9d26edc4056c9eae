-- Whose answers does this model rest on, through every training set before it?
-- of a model
-- one row per person
with recursive line as (
    select model_version, parent_version, training_set_version
    from model
    where model_version = $id
    union
    select m.model_version, m.parent_version, m.training_set_version
    from model as m
    inner join line as l on l.parent_version = m.model_version
),
revisions as (
    select distinct m.revision_id
    from line as l
    inner join training_set_member as m on m.version = l.training_set_version
)
select p.person, count(distinct r.revision_id) as label_count
from revisions as v
inner join label_revision as r on r.revision_id = v.revision_id
cross join unnest(string_split(r.decided_by, chr(44))) as p (person)
group by p.person
order by label_count desc, p.person
