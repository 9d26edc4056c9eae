-- one row per training set or model that a training set or model came from, itself included
create or replace temp table traced_line as
with recursive line as (
    select 'training_set' as kind, version as id from training_set where version = $id
    union
    select 'model' as kind, model_version as id from model where model_version = $id
    union
    select p.kind, p.id
    from line as l
    inner join (
        select 'training_set' as of_kind, version as of_id, 'training_set' as kind, parent_version as id
        from training_set where parent_version is not null
        union all
        select 'model', model_version, 'training_set', training_set_version
        from model where training_set_version is not null
        union all
        select 'model', model_version, 'model', parent_version
        from model where parent_version is not null
    ) as p on p.of_kind = l.kind and p.of_id = l.id
)
select kind, id
from line
