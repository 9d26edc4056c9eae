-- one row per added row beyond what its recording may bring, in the order of a hash
insert into left_out
with placed as (
    select
        c.sample_id,
        row_number() over (partition by c.recording_id order by sha256(c.sample_id)) as place
    from composed_row as c
    anti join left_out as x on x.sample_id = c.sample_id
    where c.reason <> 'base'
)
select sample_id, 'over_recording', 'rows_a_recording_at_most = ' || $at_most
from placed
where place > $at_most
