-- one row at most: a model
select model_version, training_set_version, trainer, settings, artefact_uri, artefact_sha256
from model
where model_version = $model_version
