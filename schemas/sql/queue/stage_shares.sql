-- one row per case: its members, as a share of its attribute's served predictions
create or replace temp table case_share as
with served as (
    select attribute, count(*) as served
    from prediction
    where role = 'served'
    group by attribute
)
select m.case_name, least(1.0, count(*) / any_value(s.served)) as share
from present_member as m
inner join served as s on s.attribute = m.attribute
group by m.case_name
