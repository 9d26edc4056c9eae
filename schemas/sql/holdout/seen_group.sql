-- one row per group that any training set in the warm-start ancestry of the attribute's incumbent holds
create or replace temp table seen_group as
with recursive ancestry as (
    select m.model_version, m.parent_version, m.training_set_version
    from model as m
    inner join incumbent as i on i.model_version = m.model_version and i.attribute = $attribute
    union
    select m.model_version, m.parent_version, m.training_set_version
    from ancestry as a
    inner join model as m on m.model_version = a.parent_version
)
select distinct t.group_id
from training_set_member as t
semi join ancestry as a on a.training_set_version = t.version
