-- one row per moved sample: what was known of it and of its label at the moment that is shown
create or replace temp table label_then as
with revisions as (
    select r.sample_id, count(*) as revision_count, arg_max(e.outcome, r.known_at) as last_outcome
    from label_revision as r
    semi join moved_row as m on m.sample_id = r.sample_id
    left join fix_end as e on e.fix_id = r.fix_id
    group by r.sample_id
),
disputes as (
    select d.sample_id, min(d.because) as because
    from disputed_sample as d
    semi join moved_row as m on m.sample_id = d.sample_id
    group by d.sample_id
)
select
    m.sample_id,
    m.sample_id in (select sample_id from sample) as is_known,
    l.revision_id is not null as has_label,
    coalesce(r.revision_count, 0) as revision_count,
    r.last_outcome,
    d.because
from moved_row as m
left join current_label as l on l.sample_id = m.sample_id
left join revisions as r on r.sample_id = m.sample_id
left join disputes as d on d.sample_id = m.sample_id
