-- one row per staged answer: refused with a reason, a duplicate, or new; numbers are compared by value
create or replace temp table judged_answer as
with meant as (
    select
        row_number,
        fix_id,
        annotator,
        answer,
        case when kind = 'number' and answer not in ('unsure', 'unusable') then answer_value end as answer_value,
        answered_at,
        seconds,
        note,
        reason
    from staged_answer
),
spelled as (
    select *, coalesce(cast(answer_value as varchar), answer) as meaning
    from meant
),
known as (
    select fix_id, annotator, answer, coalesce(cast(answer_value as varchar), answer) as meaning
    from fix_answer
),
ranked as (
    select
        s.row_number,
        first_value(s.answer) over same_person as first_answer,
        first_value(s.meaning) over same_person as first_meaning,
        row_number() over same_person as place
    from spelled as s
    where s.reason is null
    window same_person as (partition by s.fix_id, s.annotator order by s.row_number)
)
select
    s.* exclude (reason, meaning),
    case
        when s.reason is not null then s.reason
        when k.meaning <> s.meaning
            then s.annotator || ' has answered this fix before, with ' || k.answer || '; the first answer stays'
        when k.meaning is null and r.first_meaning <> s.meaning
            then s.annotator || ' answers this fix twice in the file, first with ' || r.first_answer
    end as reason,
    k.meaning is not null or r.place > 1 as is_duplicate
from spelled as s
left join ranked as r on r.row_number = s.row_number
left join known as k on k.fix_id = s.fix_id and k.annotator = s.annotator
