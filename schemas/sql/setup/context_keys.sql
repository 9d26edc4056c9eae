-- one row per key that the context of some of an attribute's latest samples has
with latest as (
    select context
    from sample
    where attribute = $attribute and context is not null
    order by known_at desc
    limit $at_most
)
select distinct unnest(json_keys(context)) as context_key
from latest
