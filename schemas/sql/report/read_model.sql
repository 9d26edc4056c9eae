-- one row at most: a model, and the training set that it learned from
select
    m.model_version,
    m.attribute,
    m.role,
    m.parent_version,
    m.training_set_version,
    m.trainer,
    m.settings,
    m.artefact_sha256,
    m.seed,
    epoch_us(m.known_at) as known_at,
    v.row_count,
    v.digest,
    v.parent_version as set_parent_version,
    epoch_us(v.as_of) as as_of
from model as m
left join training_set as v on v.version = m.training_set_version
where m.model_version = $model
