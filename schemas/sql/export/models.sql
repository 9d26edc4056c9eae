-- one row per model whose predictions led to rows of a version
select p.model_version, count(*) as row_count
from training_set_member as m
semi join exported_row as e on e.sample_id = m.sample_id
inner join prediction as p on p.prediction_id = m.prediction_id
where m.version = $version
group by p.model_version
order by p.model_version
