-- one row if the attribute has no recorded definition yet
insert into attribute_definition
select d.attribute, d.definition, sha256(d.definition), $known_at
from defined_attribute as d
anti join attribute_definition as a on a.attribute = d.attribute
where d.attribute = $attribute
