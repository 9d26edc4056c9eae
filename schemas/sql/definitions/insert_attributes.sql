-- one row per attribute whose definition differs from its latest recorded one
insert into attribute_definition
with latest as (
    select attribute, arg_max(definition_sha256, known_at) as definition_sha256
    from attribute_definition
    group by attribute
)
select d.attribute, d.definition, sha256(d.definition), $known_at
from defined_attribute as d
left join latest as l on l.attribute = d.attribute
where l.definition_sha256 is distinct from sha256(d.definition)
