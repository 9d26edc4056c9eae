-- one row per sample that was predicted more than once
select sample_id
from answered
group by sample_id
having count(*) > 1
order by sample_id
