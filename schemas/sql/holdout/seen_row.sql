-- one row per sample and group that any training set in the warm-start ancestry of the attribute's incumbent holds, the
-- group as it was then
create or replace temp table seen_row as
with recursive ancestry as (
    select m.model_version, m.parent_version, m.training_set_version
    from model as m
    inner join incumbent as i on i.model_version = m.model_version and i.attribute = $attribute
    union
    select m.model_version, m.parent_version, m.training_set_version
    from ancestry as a
    inner join model as m on m.model_version = a.parent_version
)
select distinct t.sample_id, t.group_id
from training_set_member as t
semi join ancestry as a on a.training_set_version = t.version
union
-- an imported set was trained on elsewhere, with the rows that could not be taken into it here
select s.sample_id, s.group_id
from listed_set_member as s
semi join (
    select json_extract_string(v.composition, '$.listed') as list_id
    from training_set as v
    semi join ancestry as a on a.training_set_version = v.version
) as v on v.list_id = s.list_id
