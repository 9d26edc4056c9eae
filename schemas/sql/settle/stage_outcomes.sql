-- one row per open fix of a class attribute that its answers decide
insert into new_outcome
with answers as (
    select o.fix_id, o.sample_id, a.annotator, a.answer, a.answered_at
    from open_fix as o
    inner join fix_answer as a on a.fix_id = o.fix_id
    where o.attribute = $attribute
),
votes as (
    select fix_id, answer, count(*) as votes
    from answers
    where answer not in ('unsure', 'unusable')
    group by fix_id, answer
),
tally as (
    select
        fix_id,
        arg_max(answer, votes) as label,
        max(votes) as votes,
        sum(votes) as voters,
        count(*) as named,
        list(answer) filter (where list_contains($critical, answer)) as critical_named
    from votes
    group by fix_id
),
decided as (
    select fix_id, min(answer) as label
    from answers
    where list_contains($deciders, annotator) and answer not in ('unsure', 'unusable')
    group by fix_id
    having count(distinct answer) = 1
),
summary as (
    select
        fix_id,
        any_value(sample_id) as sample_id,
        array_to_string(list_sort(list(annotator)), ',') as decided_by,
        max(answered_at) as decided_at,
        count(*) as answer_count,
        count(*) filter (where answer = 'unusable') as unusable_count
    from answers
    group by fix_id
),
judged as (
    select
        s.*,
        case
            when t.votes >= $answers_needed
                and t.votes > t.voters - t.votes
                and (t.named = 1 or t.critical_named is null or list_contains(t.critical_named, t.label))
                then t.label
            when t.named > 1 then d.label
        end as label,
        coalesce(t.voters, 0) as voters
    from summary as s
    left join tally as t on t.fix_id = s.fix_id
    left join decided as d on d.fix_id = s.fix_id
)
select
    fix_id,
    sample_id,
    case
        when label is not null then 'settled'
        when unusable_count >= $answers_needed and unusable_count > voters then 'unusable'
        else 'ambiguous'
    end,
    label,
    null,
    decided_by,
    decided_at
from judged
where label is not null
    or (unusable_count >= $answers_needed and unusable_count > voters)
    or answer_count >= $answers_at_most
