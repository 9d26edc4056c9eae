-- one row per reason why the version composed last lacks moved samples: how many, and the first of them
with labelled as (
    select distinct sample_id
    from label_revision
),
told as (
    select
        m.sample_id,
        case
            when m.sample_id not in (select sample_id from sample) then 'erased'
            when not t.is_known then 'pulled_after'
            when a.sample_id is not null then 'warehouse_changed'
            when x.why is not null and x.why <> 'no_label' then x.why
            when t.has_label then 'never_wanted'
            when t.because is not null then t.because
            when t.last_outcome in ('lot_failed', 'withdrawn') then t.last_outcome
            when t.revision_count = 0 and l.sample_id is not null then 'settled_after'
            else 'no_label'
        end as why,
        x.note
    from moved_row as m
    left join label_then as t on t.sample_id = m.sample_id
    left join left_out as x on x.sample_id = m.sample_id
    left join assembled as a on a.sample_id = m.sample_id
    left join labelled as l on l.sample_id = m.sample_id
)
select why, note, count(*) as row_count, list_slice(list(sample_id order by sample_id), 1, $at_most) as sample_ids
from told
group by why, note
order by row_count desc, why, note nulls first
