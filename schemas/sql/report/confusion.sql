-- one row per truth and answer on one hold-out: how often the model before and the one after gave it
with given as (
    select truth, before as predicted, 1 as before_count, 0 as after_count
    from judged_answer
    where case_name = $holdout and before is not null
    union all
    select truth, after, 0, 1
    from judged_answer
    where case_name = $holdout and after is not null
)
select
    truth,
    predicted,
    sum(before_count)::bigint as before_count,
    sum(after_count)::bigint as after_count
from given
group by truth, predicted
order by truth, predicted
