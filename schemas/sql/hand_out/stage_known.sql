-- one row per sample of the attribute in hand whose label can be a known item's key: a current label by people who
-- all agreed, by a decider, or from a label file; under the guideline of today; in no reserved group
insert into known_candidate
with agreed as (
    select
        f.fix_id,
        f.sample_id,
        r.revision_id,
        count(*) filter (
            where coalesce(n.present_label, a.answer) = l.label
                or abs(a.answer_value - l.label_value) <= $tolerance * (1 + 1e-9)
        ) as agreeing,
        count(*) filter (where a.answer not in ('unsure', 'unusable')) as naming,
        coalesce(
            bool_or(
                list_contains($deciders, a.annotator)
                and (
                    coalesce(n.present_label, a.answer) = l.label
                    or abs(a.answer_value - l.label_value) <= $tolerance * (1 + 1e-9)
                )
            ),
            false
        ) as is_decided
    from current_label as l
    inner join label_revision as r on r.revision_id = l.revision_id
    inner join label_fix as f on f.fix_id = r.fix_id and f.sample_id = r.sample_id
    inner join fix_answer as a on a.fix_id = f.fix_id
    left join renamed_label as n on n.attribute = l.attribute and n.old_label = a.answer
    where l.attribute = $attribute
    group by f.fix_id, f.sample_id, r.revision_id
)
select
    l.sample_id,
    l.attribute,
    l.revision_id,
    l.label,
    l.label_value,
    p.place
from current_label as l
inner join known_focus as p on p.sample_id = l.sample_id
inner join grouped_sample as g on g.sample_id = l.sample_id
left join agreed as a on a.revision_id = l.revision_id
anti join holdout_reserved as h on h.attribute = l.attribute and h.group_id = g.group_id
where l.attribute = $attribute
    and l.revision_id is not null
    and l.origin = 'person'
    and ($annotator::varchar is not null or l.fix_id is null)
    and not coalesce(list_contains(string_split(l.decided_by, ','), $annotator::varchar), false)
    and (l.guideline_sha256 is null or l.guideline_sha256 = $guideline_sha256)
    and (
        l.fix_id is null
        or a.is_decided
        or (a.agreeing >= $answers_needed and a.agreeing = a.naming)
    )
