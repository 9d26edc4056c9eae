-- one row per training row that is looked at, groups and labels as numbers, groups in the order of a hash: all rows
-- with a label and sound features or, where they are more than $at_most, a sample of them by label: of each its first
-- hundred in the order of another hash, then the same share
create or replace temp table looked_row as
with usual as (
    select feature_length
    from assembled
    where is_finite
    group by feature_length
    order by count(*) desc, feature_length
    limit 1
),
sound as (
    select a.sample_id, a.group_id, a.label
    from assembled as a
    inner join usual as u on u.feature_length = a.feature_length
    where a.label is not null and a.is_finite
),
placed as (
    select
        *,
        row_number() over (partition by label order by sha256('suspects' || sample_id), sample_id) as place,
        count(*) over (partition by label) as label_count
    from sound
),
chosen as (
    select sample_id, group_id, label
    from placed
    qualify row_number() over (order by place > 100, (place - 0.5) / label_count, label, sample_id) <= $at_most
)
select
    sample_id,
    label,
    dense_rank() over (order by label) - 1 as label_number,
    dense_rank() over (order by sha256(group_id), group_id) - 1 as group_number
from chosen
