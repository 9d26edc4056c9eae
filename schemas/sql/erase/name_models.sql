-- one row per model of the list
select model_version, attribute, role, training_set_version, artefact_uri
from model
where list_contains(cast($models as varchar[]), model_version)
order by known_at, model_version
