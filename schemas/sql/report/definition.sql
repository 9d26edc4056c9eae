-- one row at most: what an attribute's facts mean
select arg_max(definition, known_at) as definition
from attribute_definition
where attribute = $attribute
having count(*) > 0
