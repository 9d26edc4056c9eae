-- one row per attribute and source of answers that has lots, or settled fixes that are in none yet
with lots as (
    select distinct attribute, source
    from audit_lot
),
gathered as (
    select attribute, source, count(*) as in_no_lot
    from standing_candidate
    group by attribute, source
)
select
    coalesce(l.attribute, g.attribute) as attribute,
    coalesce(l.source, g.source) as source,
    coalesce(g.in_no_lot, 0) as in_no_lot
from lots as l
full join gathered as g on g.attribute = l.attribute and g.source = l.source
order by 1, 2
