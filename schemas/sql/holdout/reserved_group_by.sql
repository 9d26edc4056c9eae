-- one row: what made the groups of an attribute when its first one was reserved (null: none is reserved)
with first_reserved as (
    select min(known_at) as known_at
    from holdout_reserved
    where attribute = $attribute
)
select arg_max(d.definition->>'group_by', d.known_at) as group_by
from attribute_definition as d
cross join first_reserved as r
where d.attribute = $attribute and d.known_at <= r.known_at
