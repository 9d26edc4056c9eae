-- one row per open fix of a number attribute that its answers decide: enough of them near their median, or
-- deciders who agree where the others don't
insert into new_outcome by name
with middles as (
    select fix_id, median(answer_value) as middle
    from fix_vote
    where answer_value is not null
    group by fix_id
),
decided as (
    select fix_id, median(answer_value) as middle
    from fix_vote
    where list_contains($deciders, annotator) and answer_value is not null
    group by fix_id
    having max(answer_value) - min(answer_value) <= $tolerance * (1 + 1e-9)
),
summary as (
    select
        a.fix_id,
        any_value(a.sample_id) as sample_id,
        any_value(a.guideline_sha256) as guideline_sha256,
        any_value(m.middle) as middle,
        any_value(d.middle) as decided,
        array_to_string(list_sort(list(a.annotator)), ',') as decided_by,
        max(a.answered_at) as decided_at,
        count(*) as answer_count,
        count(a.answer_value) as voters,
        count(*) filter (where abs(a.answer_value - m.middle) <= $tolerance * (1 + 1e-9)) as votes,
        count(*) filter (where a.answer = 'unusable') as unusable_count
    from fix_vote as a
    left join middles as m on m.fix_id = a.fix_id
    left join decided as d on d.fix_id = a.fix_id
    group by a.fix_id
),
judged as (
    select
        *,
        case
            when votes < voters and decided is not null then decided
            when votes >= $answers_needed and votes > voters - votes then middle
        end as label_value
    from summary
)
select
    fix_id,
    sample_id,
    case
        when label_value is not null then 'settled'
        when unusable_count >= $answers_needed and unusable_count > voters then 'unusable'
        else 'ambiguous'
    end as outcome,
    label_value,
    decided_by,
    decided_at,
    guideline_sha256
from judged
where label_value is not null
    or (unusable_count >= $answers_needed and unusable_count > voters)
    or answer_count >= $answers_at_most
