-- one row where an attribute's definition was ever recorded: the hash of the latest one
select arg_max(definition_sha256, known_at)
from attribute_definition
where attribute = $attribute
having count(*) > 0
