-- one row per row whose sample is known already, or comes more than once in this chunk
create or replace temp table contested_row as
with repeated as (
    select sample_key
    from good_row
    group by sample_key
    having count(*) > 1
),
known as (
    select distinct g.sample_key
    from good_row as g
    semi join (
        select sample_id from sample where observed_at between $low and $high
    ) as s on s.sample_id = g.sample_id
),
touched as (
    select sample_key from repeated
    union
    select sample_key from known
)
select
    g.*,
    cast(g.file_number as bigint) * 1099511627776 + g.row_number as place,
    null::ubigint as features_hash,
    null::ubigint as embedding_hash
from good_row as g
semi join touched as t on t.sample_key = g.sample_key
