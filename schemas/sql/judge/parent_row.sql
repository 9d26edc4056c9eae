-- one row per row of the parent version, with its label's present name; of what was erased since no label is left
create or replace temp table parent_row as
with renames as (
    select unnest($old_labels::varchar[]) as old_label, unnest($present_labels::varchar[]) as present_label
)
select m.sample_id, coalesce(n.present_label, m.label) as label, m.label_value
from training_set_member as m
left join renames as n on n.old_label = m.label
where m.version = $parent_version and (m.label is not null or m.label_value is not null)
