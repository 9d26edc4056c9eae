-- one row per slice of at most $rows rows of a version that may be given out, by sample_id: its first, last and count
with numbered as (
    select m.sample_id, (row_number() over (order by m.sample_id) - 1) // $rows as slice
    from training_set_member as m
    anti join withheld_row as w on w.sample_id = m.sample_id
    where m.version = $version
)
select min(sample_id), max(sample_id), count(*)
from numbered
group by slice
order by slice
