-- one row per origin of label: the rows that are not left out so far
select c.origin, count(*) as row_count
from composed_row as c
anti join left_out as x on x.sample_id = c.sample_id
group by c.origin
