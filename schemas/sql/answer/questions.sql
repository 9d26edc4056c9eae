-- one row per question of the batch with what is known of its sample, in an order that gives nothing away
select
    c.fix_id,
    c.sample_id,
    c.attribute,
    k.recording_id,
    k.object_id,
    k.unit_id,
    k.observed_at,
    cast(k.context as varchar) as context
from chosen_fix as c
inner join known_sample as k on k.sample_id = c.sample_id
order by c.attribute, c.fix_id
