-- one row per staged answer: refused with a reason, a duplicate, or new
create or replace temp table judged_answer as
with ranked as (
    select
        s.*,
        first_value(s.answer) over (partition by s.fix_id, s.annotator order by s.row_number) as first_answer,
        row_number() over (partition by s.fix_id, s.annotator order by s.row_number) as place
    from staged_answer as s
    where s.reason is null
)
select
    s.row_number,
    s.fix_id,
    s.annotator,
    s.answer,
    case when s.answer in ('unsure', 'unusable') or s.kind = 'class' then null else s.answer_value end
        as answer_value,
    s.answered_at,
    s.seconds,
    s.note,
    case
        when s.reason is not null then s.reason
        when k.answer is distinct from s.answer and k.answer is not null
            then s.annotator || ' has answered this fix before, with ' || k.answer || '; the first answer stays'
        when r.first_answer is distinct from s.answer
            then s.annotator || ' answers this fix twice in the file, first with ' || r.first_answer
    end as reason,
    k.answer is not null or r.place > 1 as is_duplicate
from staged_answer as s
left join ranked as r on r.row_number = s.row_number
left join fix_answer as k on k.fix_id = s.fix_id and k.annotator = s.annotator
