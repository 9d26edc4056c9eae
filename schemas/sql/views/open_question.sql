-- one row per question that may be handed out: a label fix that has not ended, a known item, or an audit item of a
-- lot that was not judged yet (those go after hold-outs and the watch, before all else)
with wanted as (
    select
        fix_id,
        list_sort(list(distinct case_name) filter (where case_name is not null)) as case_names
    from fix_request
    group by fix_id
),
answered as (
    select
        fix_id,
        count(*) as answer_count,
        count(*) filter (where answer not in ('unsure', 'unusable')) as label_answer_count
    from fix_answer
    group by fix_id
),
asked as (
    select fix_id, sample_id, attribute, attempt, 'fix' as kind, reason, priority, guideline_sha256, case_names
    from open_fix
    union all
    select fix_id, sample_id, attribute, attempt, 'known', null, 0.0, null, null
    from known_item
    union all
    select i.fix_id, i.sample_id, l.attribute, i.attempt, 'audit', null, 150.0, null, w.case_names
    from audit_item as i
    inner join audit_lot as l on l.lot_id = i.lot_id
    left join wanted as w on w.fix_id = i.audited_fix_id
    anti join audit_verdict as v on v.lot_id = i.lot_id
)
select
    q.*,
    coalesce(a.answer_count, 0) as answer_count,
    coalesce(a.label_answer_count, 0) as label_answer_count
from asked as q
left join answered as a on a.fix_id = q.fix_id
