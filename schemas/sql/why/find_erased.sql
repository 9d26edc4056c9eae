-- one row per sample in a training set that is no longer known, and whose id begins so: the sets that hold it
select m.sample_id, list(distinct m.version order by m.version) as versions
from training_set_member as m
anti join sample as s on s.sample_id = m.sample_id
where starts_with(m.sample_id, $prefix)
group by m.sample_id
order by m.sample_id
limit $at_most
