-- one row: a digest of the samples of a version that may not be trained on now
with leaked as (
    select distinct sample_id
    from leaked_row
    where version = $version
)
select sha256(coalesce(string_agg(sample_id, chr(10) order by sample_id), ''))
from leaked
