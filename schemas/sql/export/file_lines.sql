-- one row per row of an exported file, in its order: its line of the digest
select
    sample_id || chr(9) || revision_id || chr(9)
        || case when label_value is null then label else id_number(label_value) end || chr(9)
        || cast(cast(weight as decimal(12, 6)) as varchar) || chr(9) || reason || chr(10) as line
from read_parquet($path)
