-- one row per attribute and old label: its present name, by the attribute's latest definition
with latest as (
    select attribute, arg_max(definition, known_at) as definition
    from attribute_definition
    group by attribute
),
pairs as (
    select
        attribute,
        unnest(map_entries(cast(definition->'was' as map(varchar, varchar)))) as pair
    from latest
    where (definition->'was') is not null
)
select attribute, pair.key as old_label, pair.value as present_label
from pairs
