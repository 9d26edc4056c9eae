-- one row per training row, weighted by reason
create or replace temp table assembled as
select
    c.sample_id,
    c.group_id,
    c.revision_id,
    c.label,
    c.label_value,
    c.origin,
    c.decided_at,
    c.settled_at,
    cast(coalesce(s.weight, 1.0) as double) as weight,
    c.reason,
    c.fix_id,
    c.case_names[1] as case_name,
    c.case_names,
    c.prediction_id,
    c.feature_length,
    c.is_finite,
    c.is_reserved,
    c.lot_passed
from composed_row as c
anti join left_out as x on x.sample_id = c.sample_id
left join reason_setting as s on s.reason = c.reason
