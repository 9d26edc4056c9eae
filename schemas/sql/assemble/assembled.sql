-- one row per training row: capped by reason in the order of a hash, weighted by reason
create or replace temp table assembled as
with kept as (
    select c.*
    from composed_row as c
    anti join left_out as x on x.sample_id = c.sample_id
),
placed as (
    select
        k.*,
        row_number() over (partition by k.reason order by sha256(k.sample_id)) as place
    from kept as k
)
select
    p.sample_id,
    p.group_id,
    p.revision_id,
    p.label,
    p.label_value,
    p.origin,
    p.decided_at,
    p.settled_at,
    cast(coalesce(s.weight, 1.0) as double) as weight,
    p.reason,
    p.fix_id,
    p.case_names[1] as case_name,
    p.case_names,
    p.prediction_id,
    p.feature_length,
    p.is_finite,
    p.is_reserved,
    p.lot_passed
from placed as p
left join reason_setting as s on s.reason = p.reason
where s.cap is null or p.place <= s.cap
