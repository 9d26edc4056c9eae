-- Which rows of this version came in for failure case $value, and by which rule?
-- of a training_set
-- one row per reason and rule (null: mined, or labelled by file)
select reason, rule, count(distinct sample_id) as row_count
from training_set_lineage
where version = $id and list_contains(case_names, $value)
group by reason, rule
order by reason, rule
