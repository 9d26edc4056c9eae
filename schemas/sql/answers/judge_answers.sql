-- one row per staged answer: refused with a reason, taken back within the file, a duplicate, or new; numbers are
-- compared by value. A row that takes back opens a new span of its person's answers to that fix: only the last
-- span counts, its first answer is the answer.
create or replace temp table judged_answer as
with spelled as (
    select
        row_number,
        fix_id,
        annotator,
        case when takes_back then null else answer end as answer,
        case when kind = 'number' and answer not in ('unsure', 'unusable') then answer_value end as answer_value,
        case
            when takes_back then null
            when kind = 'number' and answer not in ('unsure', 'unusable') then cast(answer_value as varchar)
            else answer
        end as meaning,
        answered_at,
        seconds,
        note,
        saw_prediction,
        guideline_sha256,
        takes_back,
        reason
    from staged_answer
),
spans as (
    select
        *,
        count(*) filter (where takes_back) over so_far as span,
        count(*) filter (where takes_back) over same_person as last_span
    from spelled
    where reason is null
    window
        same_person as (partition by fix_id, annotator),
        so_far as (partition by fix_id, annotator order by row_number)
),
placed as (
    select
        *,
        first_value(answer) over in_span as first_answer,
        first_value(meaning) over in_span as first_meaning,
        row_number() over in_span as place
    from spans
    window in_span as (partition by fix_id, annotator, span, takes_back order by row_number)
),
known as (
    select fix_id, annotator, answer, coalesce(cast(answer_value as varchar), answer) as meaning
    from fix_answer
),
-- the span whose answer an earlier import took in
taken as (
    select p.fix_id, p.annotator, max(p.span) as span
    from placed as p
    inner join known as k on k.fix_id = p.fix_id and k.annotator = p.annotator and k.meaning = p.first_meaning
    group by p.fix_id, p.annotator
),
answered_span as (
    select distinct fix_id, annotator, span
    from placed
    where not takes_back
),
judged as (
    select
        p.row_number,
        p.span < p.last_span or p.takes_back as is_taken_back,
        case
            when p.takes_back and s.span is null
                then 'takes nothing back: ' || p.annotator || ' gave no answer to this fix before it in this file'
            when p.takes_back and t.span = p.span - 1
                then 'comes too late: the answer that it takes back, ' || k.answer || ', was taken in before'
            when p.takes_back or p.span < p.last_span then null
            when k.meaning <> p.meaning
                then p.annotator || ' has answered this fix before, with ' || k.answer || '; the first answer stays'
            when k.meaning is null and p.first_meaning <> p.meaning
                then p.annotator || ' answers this fix twice in the file, first with ' || p.first_answer
        end as reason,
        k.meaning is not null or p.place > 1 as is_known
    from placed as p
    left join known as k on k.fix_id = p.fix_id and k.annotator = p.annotator
    left join taken as t on t.fix_id = p.fix_id and t.annotator = p.annotator
    left join answered_span as s
        on s.fix_id = p.fix_id and s.annotator = p.annotator and s.span = case when p.takes_back then p.span - 1 end
)
select
    s.* exclude (reason, meaning, takes_back),
    coalesce(s.reason, j.reason) as reason,
    coalesce(j.is_taken_back, false) as is_taken_back,
    coalesce(j.is_known and not j.is_taken_back, false) as is_duplicate
from spelled as s
left join judged as j on j.row_number = s.row_number
