-- one row per member of a hold-out that is being frozen: the label it is judged by (null: it ended without one)
insert into holdout_label
select m.holdout_id, m.sample_id, l.revision_id
from holdout_member as m
left join current_label as l on l.sample_id = m.sample_id
where m.holdout_id = $holdout_id
