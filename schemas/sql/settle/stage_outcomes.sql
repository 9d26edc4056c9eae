-- one row per open fix of a class attribute that its answers decide: by their weights where all who voted are known
-- by enough rated answers (label_weight), else by plain agreement
insert into new_outcome by name
with votes as (
    select fix_id, answer, count(*) as votes, list_contains($critical, answer) as is_critical
    from fix_vote
    where answer not in ('unsure', 'unusable')
    group by fix_id, answer
),
weighed as (
    select fix_id, arg_max(label, probability) as label, max(probability) as probability
    from label_weight
    group by fix_id
),
front as (
    select
        fix_id,
        arg_max(answer, votes) as label,
        max(votes) as votes,
        sum(votes) as voters,
        count(*) as named
    from votes
    group by fix_id
),
tally as (
    select
        l.fix_id,
        case when w.fix_id is null then l.label else w.label end as label,
        l.voters,
        l.named,
        case
            when w.fix_id is null then l.votes >= $answers_needed and l.votes > l.voters - l.votes
            else l.voters >= $answers_needed and w.probability >= $settle_at
        end as is_enough
    from front as l
    left join weighed as w on w.fix_id = l.fix_id
),
critical_outvoted as (
    select distinct v.fix_id
    from votes as v
    inner join tally as t on t.fix_id = v.fix_id
    where v.is_critical and (v.answer <> t.label or (t.named > 1 and not t.is_enough))
),
decided as (
    select fix_id, min(answer) as label
    from fix_vote
    where list_contains($deciders, annotator) and answer not in ('unsure', 'unusable')
    group by fix_id
    having count(distinct answer) = 1
),
-- deciders who may still answer: none of them may have had a part in what is looked at again
barred as (
    select b.fix_id, list(b.annotator) as people
    from barred_annotator as b
    semi join critical_outvoted as c on c.fix_id = b.fix_id
    group by b.fix_id
),
summary as (
    select
        fix_id,
        any_value(sample_id) as sample_id,
        any_value(guideline_sha256) as guideline_sha256,
        array_to_string(list_sort(list(annotator)), ',') as decided_by,
        max(answered_at) as decided_at,
        count(*) as answer_count,
        count(*) filter (where answer = 'unusable') as unusable_count,
        count(*) filter (where list_contains($deciders, annotator)) as decider_count
    from fix_vote
    group by fix_id
),
judged as (
    select
        s.*,
        case
            when t.named > 1 and d.label is not null then d.label
            when t.is_enough and c.fix_id is null then t.label
        end as label,
        coalesce(t.voters, 0) as voters,
        c.fix_id is not null
            and s.decider_count = 0
            and len(
                list_filter(
                    cast($deciders as varchar[]), lambda x: not coalesce(list_contains(b.people, x), false)
                )
            ) > 0 as wants_decider
    from summary as s
    left join tally as t on t.fix_id = s.fix_id
    left join critical_outvoted as c on c.fix_id = s.fix_id
    left join decided as d on d.fix_id = s.fix_id
    left join barred as b on b.fix_id = s.fix_id
)
select
    fix_id,
    sample_id,
    case
        when label is not null then 'settled'
        when unusable_count >= $answers_needed and unusable_count > voters then 'unusable'
        else 'ambiguous'
    end as outcome,
    label,
    decided_by,
    decided_at,
    guideline_sha256
from judged
where label is not null
    or (unusable_count >= $answers_needed and unusable_count > voters)
    or (answer_count >= $answers_at_most and not wants_decider)
