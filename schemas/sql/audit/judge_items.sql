-- one row per audit item of an attribute's undecided lots: the first answer that is more than `unsure`, of
-- somebody who did not answer the fix, against the label that was settled; where there are deciders, an answer
-- counts if it is theirs, unless all of them had decided the fix; what nobody has answered and nobody may be asked any
-- more (unaskable_item) does not count
insert into judged_item
with items as (
    select
        i.lot_id,
        i.fix_id,
        i.audited_fix_id,
        coalesce(n.present_label, r.label) as label,
        r.label_value
    from audit_item as i
    inner join audit_lot as l on l.lot_id = i.lot_id
    inner join fix_outcome as o on o.fix_id = i.audited_fix_id and o.outcome = 'settled'
    inner join label_revision as r on r.revision_id = o.revision_id
    left join renamed_label as n on n.attribute = l.attribute and n.old_label = r.label
    anti join audit_verdict as v on v.lot_id = i.lot_id
    where l.attribute = $attribute
),
barred as (
    select b.fix_id, list(b.annotator) as people
    from barred_annotator as b
    semi join items as i on i.fix_id = b.fix_id
    group by b.fix_id
),
free_to_decide as (
    select
        i.fix_id,
        list_filter(
            cast($deciders as varchar[]), lambda x: not coalesce(list_contains(b.people, x), false)
        ) as deciders
    from items as i
    left join barred as b on b.fix_id = i.fix_id
),
answers as (
    select i.fix_id, coalesce(n.present_label, a.answer) as answer, a.answer_value
    from items as i
    inner join free_to_decide as d on d.fix_id = i.fix_id
    inner join fix_answer as a on a.fix_id = i.fix_id
    left join renamed_label as n on n.attribute = $attribute and n.old_label = a.answer
    anti join barred_annotator as b on b.fix_id = a.fix_id and b.annotator = a.annotator
    where a.answer <> 'unsure'
        and (len(d.deciders) = 0 or list_contains(d.deciders, a.annotator))
    qualify row_number() over (
        partition by i.fix_id order by a.known_at, a.answered_at nulls last, a.annotator
    ) = 1
)
select
    i.lot_id,
    i.audited_fix_id,
    a.fix_id is not null,
    case
        when a.answer = 'unusable' then true
        when i.label_value is null then a.answer <> i.label
        else coalesce(abs(a.answer_value - i.label_value) > $tolerance * (1 + 1e-9), true)
    end
from items as i
left join answers as a on a.fix_id = i.fix_id
where a.fix_id is not null or i.fix_id not in (select fix_id from unaskable_item)
