-- one row per reason why rows are not given out
select why, note, count(*) as row_count
from withheld_row
group by why, note
order by why, note
