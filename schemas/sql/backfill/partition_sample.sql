-- one row per sample predicted in a part of history of which anything became known after $done_until
create or replace temp table partition_sample as
with served as (
    select sample_id, known_at
    from prediction
    where attribute = $attribute and role = 'served' and observed_at >= $first and observed_at < $end
),
changed as (
    select sample_id from served where known_at > $done_until
    union
    select sample_id
    from sample
    where attribute = $attribute and observed_at >= $first and observed_at < $end and known_at > $done_until
    union
    select sample_id
    from label_revision
    where attribute = $attribute and observed_at >= $first and observed_at < $end and known_at > $done_until
    union
    select f.sample_id
    from fix_outcome as o
    inner join label_fix as f on f.fix_id = o.fix_id
    where f.attribute = $attribute and o.known_at > $done_until
)
select c.sample_id
from changed as c
semi join served as s on s.sample_id = c.sample_id
