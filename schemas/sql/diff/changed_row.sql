-- one row per sample and way in which it differs between row_before and row_after, with what it was and is as text
create or replace temp table changed_row as
with paired as (
    select
        coalesce(b.sample_id, a.sample_id) as sample_id,
        b.sample_id is not null as was_in,
        a.sample_id is not null as is_in,
        coalesce(b.label, cast(b.label_value as varchar)) as label_before,
        coalesce(a.label, cast(a.label_value as varchar)) as label_after,
        b.label is distinct from a.label or b.label_value is distinct from a.label_value as has_other_label,
        b.revision_id as revision_before,
        a.revision_id as revision_after,
        cast(b.weight as decimal(12, 6)) as weight_before,
        cast(a.weight as decimal(12, 6)) as weight_after,
        b.reason as reason_before,
        a.reason as reason_after,
        coalesce(a.case_name, b.case_name) as case_name,
        {
            group_id: b.group_id,
            fix_id: b.fix_id,
            prediction_id: b.prediction_id,
            case_name: b.case_name,
            case_names: b.case_names
        } as lineage_before,
        {
            group_id: a.group_id,
            fix_id: a.fix_id,
            prediction_id: a.prediction_id,
            case_name: a.case_name,
            case_names: a.case_names
        } as lineage_after
    from row_before as b
    full join row_after as a on a.sample_id = b.sample_id
),
told as (
    select
        *,
        was_in and is_in as is_in_both,
        revision_before is distinct from revision_after as has_other_revision
    from paired
),
ways as (
    select sample_id, 'in' as change, null as before, label_after as after from told where not was_in
    union all
    select sample_id, 'out', label_before, null from told where not is_in
    union all
    select sample_id, case when has_other_revision then 'relabelled' else 'renamed' end, label_before, label_after
    from told
    where is_in_both and has_other_label
    union all
    select sample_id, 'decided_anew', revision_before, revision_after
    from told
    where is_in_both and has_other_revision and not has_other_label
    union all
    select sample_id, 'reweighted', cast(weight_before as varchar), cast(weight_after as varchar)
    from told
    where is_in_both and weight_before is distinct from weight_after
    union all
    select sample_id, 'other_reason', reason_before, reason_after
    from told
    where is_in_both and reason_before is distinct from reason_after
    union all
    select sample_id, 'other_lineage', cast(lineage_before as varchar), cast(lineage_after as varchar)
    from told
    where is_in_both and lineage_before is distinct from lineage_after
)
select
    w.change,
    w.sample_id,
    w.before,
    w.after,
    t.revision_after,
    coalesce(t.reason_after, t.reason_before) as reason,
    t.case_name
from ways as w
inner join told as t on t.sample_id = w.sample_id
