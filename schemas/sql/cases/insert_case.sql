-- one row where a case's definition differs from its latest recorded one
insert into failure_case
with latest as (
    select arg_max(definition_sha256, known_at) as definition_sha256
    from failure_case
    where case_name = $case_name
)
select $case_name, $attribute, $severity, $definition, sha256($definition), $known_at
from latest
where definition_sha256 is distinct from sha256($definition)
