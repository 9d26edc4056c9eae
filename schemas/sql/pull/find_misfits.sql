-- one row per good row that has a vector of another length than its space
create or replace temp table misfit_row as
with vectors as (
    select file_number, row_number, attribute, 'features' as name, feature_space as space,
        features_length as length
    from fresh_row
    where features_length is not null
    union all
    select file_number, row_number, attribute, 'embedding', embedding_space, embedding_length
    from fresh_row
    where embedding_length is not null
),
misfits as (
    select v.*, s.length as expected
    from vectors as v
    inner join space_length as s on s.attribute = v.attribute and s.space = v.space
    where v.length <> s.length
)
select
    file_number,
    row_number,
    arg_max(
        name || ' has length ' || length || '; expected ' || expected || ', as elsewhere in the space ' || space,
        name
    ) as reason
from misfits
group by file_number, row_number
