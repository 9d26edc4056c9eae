-- one row per hold-out: how many samples the gate judged by are still there
select case_name, count(*) as sample_count
from judged_answer
group by case_name
order by case_name
