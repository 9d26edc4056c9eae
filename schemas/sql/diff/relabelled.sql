-- one row per earlier and later label of the rows whose label changed: how many, and what decided the later one
with revision as (
    select revision_id, any_value(fix_id) as fix_id
    from label_revision
    where revision_id in (select revision_after from changed_row where change in ('relabelled', 'renamed'))
    group by revision_id
)
select
    c.before,
    c.after,
    count(*) as row_count,
    count(*) filter (where c.change = 'relabelled' and r.fix_id is not null) as by_fix,
    count(*) filter (where c.change = 'relabelled' and r.fix_id is null) as by_file,
    count(*) filter (where c.change = 'renamed') as by_rename
from changed_row as c
left join revision as r on r.revision_id = c.revision_after
where c.change in ('relabelled', 'renamed')
group by c.before, c.after
order by row_count desc, c.before, c.after
