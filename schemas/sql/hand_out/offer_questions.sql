-- one row per question that may be offered to this person (null: to anybody): asked for by the filter, an open slot
-- left, not answered by them, not one they had a part in; `is_own`: theirs by an earlier lease
create or replace temp table offered_question as
with leases as (
    select l.fix_id, l.holder
    from fix_lease as l
    anti join fix_answer as a on a.fix_id = l.fix_id and a.annotator = l.holder
    where l.leased_until > $now
),
leased as (
    select
        fix_id,
        count(*) filter (where holder is distinct from $annotator) as others,
        coalesce(bool_or(holder = $annotator), false) as is_own
    from leases
    group by fix_id
),
barred as (
    select fix_id, list(annotator) as people
    from barred_annotator
    group by fix_id
),
-- whose answer to an audit item counts: the deciders that had no part in it, or anybody where there are none
auditors as (
    select
        q.fix_id,
        list_filter(s.deciders, lambda x: not coalesce(list_contains(b.people, x), false)) as deciders
    from open_question as q
    inner join handing_attribute as s on s.attribute = q.attribute
    left join barred as b on b.fix_id = q.fix_id
    where q.kind = 'audit'
),
audited as (
    select u.fix_id, count(a.fix_id) as counting
    from auditors as u
    inner join fix_answer as a on a.fix_id = u.fix_id
    where a.answer <> 'unsure' and (len(u.deciders) = 0 or list_contains(u.deciders, a.annotator))
    group by u.fix_id
),
pools as (
    select a.fix_id, a.guideline_sha256, count(*) as answer_count
    from fix_answer as a
    semi join open_fix as o on o.fix_id = a.fix_id
    group by a.fix_id, a.guideline_sha256
),
pooled as (
    select fix_id, max(answer_count) as largest_pool
    from pools
    group by fix_id
),
questions as (
    select
        q.*,
        coalesce(l.is_own, false) as is_own,
        coalesce(l.others, 0) as others,
        case q.kind
            when 'fix' then greatest(1, s.answers_needed - q.label_answer_count)
            when 'audit' then 1 - coalesce(d.counting, 0)
            else s.answers_at_most - q.answer_count
        end as slots
    from open_question as q
    inner join handing_attribute as s on s.attribute = q.attribute
    left join leased as l on l.fix_id = q.fix_id
    left join auditors as u on u.fix_id = q.fix_id
    left join audited as d on d.fix_id = q.fix_id
    left join pooled as f on f.fix_id = q.fix_id
    where ($attribute is null or q.attribute = $attribute)
        and ($case_name is null or q.kind = 'known' or list_contains(q.case_names, $case_name))
        and ($is_blind or q.kind = 'fix')
        -- after so many answers under one guideline a fix ends, or waits for a decider
        and (
            $annotator is null
            or q.kind <> 'fix'
            or coalesce(f.largest_pool, 0) < s.answers_at_most
            or list_contains(s.deciders, $annotator)
        )
        and (
            $annotator is null
            or u.fix_id is null
            or len(u.deciders) = 0
            or list_contains(u.deciders, $annotator)
        )
)
select q.*
from questions as q
anti join fix_answer as a on a.fix_id = q.fix_id and a.annotator = $annotator
anti join barred_annotator as b on b.fix_id = q.fix_id and b.annotator = $annotator
anti join withheld_sample as w on w.sample_id = q.sample_id
where q.slots > 0 and (q.is_own or q.slots > q.others)
