-- one row at most: a model, its role, the gate's latest verdict on it, and whether another model was ever in service
with verdict as (
    select
        arg_max(verdict, known_at) as verdict,
        arg_max(reason, known_at) as reason
    from gate_decision
    where candidate = $model_version and criterion = 'overall'
)
select
    m.model_version, m.training_set_version, m.trainer, m.settings, m.artefact_uri, m.artefact_sha256,
    m.role, m.attribute, v.verdict, v.reason,
    exists (
        select 1 from sign_off as s
        where s.attribute = m.attribute and s.decision in ('import', 'accept')
            and s.model_version <> m.model_version
    ) as has_rival
from model as m
cross join verdict as v
where m.model_version = $model_version
