-- one row: what an attribute meant at a moment, as it was recorded then
select arg_max(definition, known_at)
from attribute_definition
where attribute = $attribute and known_at <= $known_at
