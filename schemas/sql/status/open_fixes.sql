-- one row per attribute and reason: the label fixes that have not ended, and how many of them have an answer
with answered as (
    select distinct fix_id from fix_answer
)
select
    f.attribute,
    f.reason,
    count(*) as open_count,
    count(a.fix_id) as answered_count
from label_fix as f
left join answered as a on a.fix_id = f.fix_id
anti join fix_outcome as o on o.fix_id = f.fix_id
group by f.attribute, f.reason
order by f.attribute, open_count desc, f.reason
