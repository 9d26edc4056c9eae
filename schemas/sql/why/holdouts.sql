-- one row per hold-out that the sample is a member of
select
    h.holdout_id,
    h.case_name,
    h.attribute,
    h.version,
    epoch_us(h.known_at) as drawn_at,
    m.stratum,
    m.inclusion_probability,
    m.is_seen,
    epoch_us(z.known_at) as frozen_at,
    b.revision_id,
    coalesce(r.label, cast(r.label_value as varchar)) as label
from holdout_member as m
semi join explained_sample as x on x.sample_id = m.sample_id
inner join holdout as h on h.holdout_id = m.holdout_id
left join holdout_freeze as z on z.holdout_id = h.holdout_id
left join holdout_label as b on b.holdout_id = m.holdout_id and b.sample_id = m.sample_id
left join label_revision as r on r.revision_id = b.revision_id
order by h.known_at, h.case_name
