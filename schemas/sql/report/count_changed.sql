-- one row per change: how many samples, and how many of them are not shown
select change, count(*) as sample_count, count(*) filter (where is_withheld) as withheld_count
from changed_sample
group by change
order by change
