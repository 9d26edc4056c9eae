-- one row per row beyond what its label's origin may have, in the order of a hash
insert into left_out
with placed as (
    select c.sample_id, row_number() over (order by sha256(c.sample_id)) as place
    from composed_row as c
    anti join left_out as x on x.sample_id = c.sample_id
    where c.origin = $origin
)
select sample_id, 'over_origin_share', $note
from placed
where place > $at_most
