-- one row per label fix that has not ended
with wanted as (
    select
        fix_id,
        list_sort(list(distinct case_name) filter (where case_name is not null)) as case_names
    from fix_request
    group by fix_id
),
answered as (
    select fix_id, count(*) as answer_count
    from fix_answer
    group by fix_id
)
select
    f.fix_id,
    f.sample_id,
    f.attribute,
    f.attempt,
    f.reason,
    f.priority,
    f.guideline_sha256,
    w.case_names,
    coalesce(a.answer_count, 0) as answer_count,
    f.known_at
from label_fix as f
left join wanted as w on w.fix_id = f.fix_id
left join answered as a on a.fix_id = f.fix_id
anti join fix_outcome as o on o.fix_id = f.fix_id
