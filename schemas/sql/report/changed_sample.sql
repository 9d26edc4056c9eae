-- one row per sample that the one model got right and the other wrong, on any hold-out that judged it; `is_withheld`:
-- it is also a member of a hold-out that is not frozen (yet), whose truth nobody is shown
create or replace temp table changed_sample as
with unfrozen as (
    select distinct m.sample_id
    from wh.main.holdout_member as m
    anti join wh.main.holdout_freeze as z on z.holdout_id = m.holdout_id
)
select
    case when any_value(j.is_right_before) then 'broken' else 'fixed' end as change,
    j.sample_id,
    list_sort(list(distinct j.case_name)) as holdouts,
    any_value(j.truth) as truth,
    any_value(j.before) as before,
    any_value(j.after) as after,
    any_value(j.confidence) as confidence,
    j.sample_id in (select sample_id from unfrozen) as is_withheld
from judged_answer as j
where j.is_right_before <> j.is_right_after
group by j.sample_id
