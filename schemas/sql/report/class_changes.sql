-- one row per hold-out, class and group: samples that both models answered, and how many became wrong and right
select
    case_name,
    truth,
    group_id,
    count(*) as sample_count,
    count(*) filter (where is_right_before and not is_right_after) as broken_count,
    count(*) filter (where is_right_after and not is_right_before) as fixed_count
from judged_answer
where is_right_before is not null and is_right_after is not null
group by case_name, truth, group_id
order by case_name, truth, group_id
