-- one row per known sample with the columns that a slice may name, and whether it is a training row or the parent's;
-- truth is the label that it is trained by, so null where it is in neither
create or replace temp view sliced_row as
with judged as (
    select distinct on (sample_id) sample_id, label, label_value, added_for
    from judged_row
)
select
    k.*,
    coalesce(j.label, o.label) as truth,
    coalesce(j.label_value, o.label_value) as truth_value,
    j.sample_id is not null as is_row,
    j.sample_id is not null and j.added_for is null as is_kept_row,
    o.sample_id is not null as is_parent_row
from known_sample as k
left join judged as j on j.sample_id = k.sample_id
left join parent_row as o on o.sample_id = k.sample_id
