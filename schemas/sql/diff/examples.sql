-- one row per shown sample of each way of changing, with who decided its later label and by which fix
with placed as (
    select *, row_number() over (partition by change order by sample_id) as place
    from changed_row
    where change <> 'other_lineage'
),
revision as (
    select revision_id, any_value(origin) as origin, any_value(decided_by) as decided_by, any_value(fix_id) as fix_id
    from label_revision
    where revision_id in (select revision_after from placed where place <= $at_most)
    group by revision_id
)
select
    p.change,
    p.sample_id,
    p.before,
    p.after,
    p.reason,
    p.case_name,
    r.origin,
    r.decided_by,
    r.fix_id
from placed as p
left join revision as r on r.revision_id = p.revision_after
where p.place <= $at_most
order by p.change, p.sample_id
