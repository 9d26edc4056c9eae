-- one row per model that a report can be of
select model_version
from model
where role <> 'control'
order by model_version
