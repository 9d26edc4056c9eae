-- one row per sample that has several rows (null, where a row names no sample)
with several as (
    select sample_id, count(*) as row_count
    from checked_row
    group by sample_id
    having count(*) > 1 or sample_id is null
)

select
    sample_id,
    format('{} samples have {} rows', count(*) over (), sum(row_count) over ()) as observed
from several
