-- one row per model of the line, the first one first
select
    m.model_version, m.attribute, m.role, m.parent_version, m.training_set_version, m.trainer,
    m.artefact_sha256, m.seed, epoch_us(m.known_at) as known_at
from model as m
inner join traced_line as t on t.kind = 'model' and t.id = m.model_version
order by m.known_at, m.model_version
