-- one row: members of a hold-out, those that are seen, and, once it is frozen, those without a label
select
    count(*) as members,
    count(*) filter (where m.is_seen) as seen,
    count(*) filter (where l.sample_id is not null and l.revision_id is null) as unlabelled
from holdout_member as m
left join holdout_label as l on l.holdout_id = m.holdout_id and l.sample_id = m.sample_id
where m.holdout_id = $holdout_id
