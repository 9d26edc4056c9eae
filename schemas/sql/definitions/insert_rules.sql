-- one row per rule whose definition differs from its latest recorded one; nulls where it is no longer in use
insert into rule_definition
with latest as (
    select rule, attribute, arg_max(coalesce(definition_sha256, ''), known_at) as definition_sha256
    from rule_definition
    group by rule, attribute
)
select
    coalesce(d.rule, l.rule),
    coalesce(d.attribute, l.attribute),
    d.definition,
    sha256(d.definition),
    $known_at
from defined_rule as d
full outer join latest as l on l.rule = d.rule and l.attribute = d.attribute
where coalesce(sha256(d.definition), '') is distinct from coalesce(l.definition_sha256, '-')
    and not (d.rule is null and l.definition_sha256 = '')
