-- one row per training set of the line and person who decided labels of it: how many of its labels
select l.version, p.person, count(distinct l.revision_id) as label_count
from training_set_lineage as l
semi join traced_line as t on t.id = l.version
cross join unnest(l.annotators) as p (person)
group by l.version, p.person
order by l.version, p.person
