-- one row per kind of thing that the trace met: how many different ones
select far_kind as kind, count(distinct far_id) as count
from traced_edge
group by far_kind
order by far_kind
