-- one row per model version of the list that is in the served logs that came in after the moment: since when
select model_version, min(observed_at) as first_at, count(*) as prediction_count
from prediction
where attribute = $attribute and role = 'served' and known_at > $since and list_contains($models, model_version)
group by model_version
order by min(observed_at), model_version
