-- one row per attribute and reason: the label fixes that have not ended, how many of them have an answer, and how many
-- have answers that differ
with answered as (
    select fix_id, count(distinct answer) filter (where answer not in ('unsure', 'unusable')) > 1 as is_disputed
    from fix_answer
    group by fix_id
)
select
    f.attribute,
    f.reason,
    count(*) as open_count,
    count(a.fix_id) as answered_count,
    count(*) filter (where a.is_disputed) as disputed_count
from label_fix as f
left join answered as a on a.fix_id = f.fix_id
anti join fix_outcome as o on o.fix_id = f.fix_id
group by f.attribute, f.reason
order by f.attribute, open_count desc, f.reason
