-- one row per question to hand out but known items, in their order: what is this person's already, then the most
-- urgent, each sample once
create or replace temp table ranked_fix as
with offered as (
    select *
    from offered_question
    where kind <> 'known'
    qualify row_number() over (partition by sample_id order by is_own desc, priority desc, fix_id) = 1
)
select
    fix_id,
    sample_id,
    attribute,
    attempt,
    kind,
    reason,
    priority,
    guideline_sha256,
    case_names,
    answer_count,
    row_number() over (order by is_own desc, priority desc, fix_id) as place
from offered
qualify place <= $at_most
