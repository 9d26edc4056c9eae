-- one row per reason why samples were left out, and what a table of the settings says of them
select why, note, count(*) as row_count
from left_out
group by why, note
order by why, note nulls first
