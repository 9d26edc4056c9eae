-- one row per model that was trained on the samples, or that started from one that was
create or replace temp table concerned_model as
with recursive trained as (
    select m.model_version
    from model as m
    inner join concerned_version as v on v.version = m.training_set_version
    where v.held_rows > 0
    union
    select m.model_version
    from model as m
    inner join trained as t on t.model_version = m.parent_version
)
select distinct m.model_version, m.attribute, m.role, m.artefact_uri
from model as m
semi join trained as t on t.model_version = m.model_version
