-- one row: what was known of the sample's label at the moment that is shown
with revisions as (
    select count(*) as revision_count, arg_max(e.outcome, r.known_at) as last_outcome
    from label_revision as r
    semi join explained_sample as x on x.sample_id = r.sample_id
    left join fix_end as e on e.fix_id = r.fix_id
)
select
    r.revision_count,
    r.last_outcome,
    (select any_value(l.disputed_because) from current_label as l semi join explained_sample as x
        on x.sample_id = l.sample_id) as disputed_because,
    (select min(d.because) from disputed_sample as d semi join explained_sample as x
        on x.sample_id = d.sample_id) as ended_as,
    (select any_value(o.fix_id) from open_fix as o semi join explained_sample as x
        on x.sample_id = o.sample_id) as open_fix_id
from revisions as r
