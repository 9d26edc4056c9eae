-- one row where the attribute has an incumbent: its model row
select m.model_version, m.training_set_version, m.trainer, m.settings, m.artefact_uri, m.artefact_sha256
from incumbent as i
inner join model as m on m.model_version = i.model_version
where i.attribute = $attribute
