-- one row per way of changing, reason and case (of several the most severe): how many samples
select change, reason, case_name, count(*) as row_count
from changed_row
where change <> 'other_lineage'
group by change, reason, case_name
order by change, reason, case_name nulls first
