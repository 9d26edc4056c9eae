-- Which labels of this version did annotator $value decide, alone or with others?
-- of a training_set
-- one row per label and set of people, with how many rows
select label, decided_by, count(distinct sample_id) as row_count, min(sample_id) as first_sample
from training_set_lineage
where version = $id and list_contains(annotators, $value)
group by label, decided_by
order by label, decided_by
