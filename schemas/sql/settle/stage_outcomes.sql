-- one row per open fix of a class attribute that its answers decide
insert into new_outcome
with answers as (
    select
        o.fix_id,
        o.sample_id,
        a.annotator,
        coalesce(n.present_label, a.answer) as answer,
        a.answered_at
    from open_fix as o
    inner join fix_answer as a on a.fix_id = o.fix_id
    left join renamed_label as n on n.attribute = o.attribute and n.old_label = a.answer
    where o.attribute = $attribute
),
votes as (
    select fix_id, answer, count(*) as votes, list_contains($critical, answer) as is_critical
    from answers
    where answer not in ('unsure', 'unusable')
    group by fix_id, answer
),
ranked as (
    select *, max(votes) over (partition by fix_id) as most
    from votes
),
tally as (
    select
        fix_id,
        arg_max(answer, votes) as label,
        max(votes) as votes,
        sum(votes) as voters,
        count(*) as named,
        count(*) filter (where is_critical and votes < most) as critical_outvoted
    from ranked
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
            when t.named > 1 and d.label is not null then d.label
            when t.votes >= $answers_needed and t.votes > t.voters - t.votes and t.critical_outvoted = 0
                then t.label
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
