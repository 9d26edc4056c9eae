-- one row per vector space that the chunk uses: its known length, else the first file's most frequent
create or replace temp table space_length as
with used as (
    select attribute, feature_space as space, features_length as length, file_number, row_number
    from fresh_row
    where features_length is not null
    union all
    select attribute, embedding_space, embedding_length, file_number, row_number
    from fresh_row
    where embedding_length is not null
),
counted as (
    select attribute, space, length, file_number, count(*) as row_count, min(row_number) as first_row
    from used
    group by attribute, space, length, file_number
),
first_lengths as (
    select attribute, space, length
    from counted
    qualify row_number() over (
        partition by attribute, space
        order by file_number, row_count desc, first_row
    ) = 1
)
select
    row_number() over (order by f.attribute, f.space) as space_number,
    f.attribute,
    f.space,
    coalesce(k.length, f.length) as length,
    k.length is null as is_new
from first_lengths as f
left join vector_space as k on k.attribute = f.attribute and k.space = f.space
