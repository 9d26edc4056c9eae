-- one row per rule of the attribute that has no recorded definition yet
insert into rule_definition
select d.rule, d.attribute, d.definition, sha256(d.definition), $known_at
from defined_rule as d
anti join rule_definition as r on r.rule = d.rule and r.attribute = d.attribute
where d.attribute = $attribute
