-- one row per training set of the line: how many label revisions it rests on
select m.version, count(distinct m.revision_id) as label_count
from training_set_member as m
semi join traced_line as t on t.id = m.version
group by m.version
order by m.version
