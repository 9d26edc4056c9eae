-- one row where the composition takes the sample into account: what for, and why it stays out, if so
select
    c.reason,
    c.label,
    r.fix_id as label_fix_id,
    w.strength < 5 as is_wanted,
    x.why,
    x.note
from composed_row as c
semi join explained_sample as e on e.sample_id = c.sample_id
inner join wished_row as w on w.sample_id = c.sample_id
left join left_out as x on x.sample_id = c.sample_id
left join label_revision as r on r.revision_id = c.revision_id
