-- one row per reason why rows of the file were refused
select refused, count(*) as row_count
from file_row
where refused is not null
group by refused
order by row_count desc, refused
