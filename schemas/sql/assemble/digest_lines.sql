-- one row per training row, in order of sample_id: its line of the digest
select
    sample_id || chr(9) || revision_id || chr(9) || coalesce(label, id_number(label_value)) || chr(9)
        || cast(cast(weight as decimal(12, 6)) as varchar) || chr(9) || reason || chr(10) as line
from assembled
order by sample_id
