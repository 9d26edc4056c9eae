-- one row per failure case (null: none) and reason that questions were asked for, between two moments: a question that
-- several cases wanted counts for each
with asked as (
    select fix_id, known_at > $since and known_at <= $until as is_asked
    from label_fix
    where attribute = $attribute
),
answered as (
    select
        fix_id,
        count(*) as answer_count,
        count(seconds) as timed_count,
        sum(seconds) as seconds
    from fix_answer
    where known_at > $since and known_at <= $until
    group by fix_id
),
spent as (
    select
        q.fix_id,
        q.is_asked,
        a.fix_id is not null as is_answered,
        coalesce(a.answer_count, 0) as answer_count,
        coalesce(a.timed_count, 0) as timed_count,
        coalesce(a.seconds, 0) as seconds
    from asked as q
    left join answered as a on a.fix_id = q.fix_id
    where q.is_asked or a.fix_id is not null
),
wanted as (
    select distinct fix_id, case_name, reason
    from fix_request
)
select
    w.case_name,
    w.reason,
    count(*) filter (where s.is_asked) as asked_count,
    count(*) filter (where s.is_answered) as answered_count,
    sum(s.answer_count)::bigint as answer_count,
    sum(s.timed_count)::bigint as timed_count,
    sum(s.seconds)::double as seconds
from spent as s
inner join wanted as w on w.fix_id = s.fix_id
group by w.case_name, w.reason
order by w.case_name nulls last, w.reason
