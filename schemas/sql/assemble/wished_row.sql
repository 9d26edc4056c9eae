-- one row per sample that the composition names, with the strongest reason for it
create or replace temp table wished_row as
with parent_row as (
    select sample_id, reason, fix_id, prediction_id, case_name, case_names, 1 as strength
    from training_set_member
    where version = $parent_version
),
fixed as (
    select sample_id, 'fixed' as reason, null as fix_id, min(prediction_id) as prediction_id, 2 as strength
    from present_member
    where attribute = $attribute and not $is_first
    group by sample_id
),
asked as (
    select
        f.sample_id,
        r.reason,
        f.fix_id,
        min(r.prediction_id) as prediction_id,
        case r.reason when 'mined' then 3 else 4 end as strength
    from fix_request as r
    inner join label_fix as f on f.fix_id = r.fix_id
    inner join fix_end as o on o.fix_id = f.fix_id
    where f.attribute = $attribute
        and r.reason in ('mined', 'look_alike')
        and o.outcome = 'settled'
        and not $is_first
    group by f.sample_id, r.reason, f.fix_id
),
labelled as (
    select sample_id, 'base' as reason, 5 as strength
    from current_label
    where attribute = $attribute and revision_id is not null and $takes_all
),
listed as (
    select sample_id, 'base' as reason, 5 as strength
    from listed_set_member
    where list_id = $listed and is_taken
),
named as (
    select sample_id, reason, fix_id, prediction_id, case_name, case_names, strength from parent_row
    union all
    select sample_id, reason, fix_id, prediction_id, null, null, strength from fixed
    union all
    select sample_id, reason, fix_id, prediction_id, null, null, strength from asked
    union all
    select sample_id, reason, null, null, null, null, strength from labelled
    union all
    select sample_id, reason, null, null, null, null, strength from listed
)
select *
from named
qualify row_number() over (partition by sample_id order by strength, fix_id desc nulls last) = 1
