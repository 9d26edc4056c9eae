-- one row per labelled member of a frozen hold-out: all that a slice may name of it, `truth` by the hold-out's label
create or replace temp table sliced_member as
with labelled as (
    select
        l.holdout_id,
        l.sample_id,
        coalesce(n.present_label, r.label) as truth,
        r.label_value as truth_value
    from frozen_holdout as z
    inner join holdout_label as l on l.holdout_id = z.holdout_id
    inner join label_revision as r on r.revision_id = l.revision_id
    left join renamed_label as n on n.attribute = r.attribute and n.old_label = r.label
    where z.attribute = $attribute
)
select k.*, l.truth, l.truth_value, l.holdout_id
from labelled as l
inner join known_sample as k on k.sample_id = l.sample_id
