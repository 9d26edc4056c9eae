-- a training set that every built-in check passes, with all that the checks read; invented
create or replace temp table judged_row as
select
    format('s{:02d}', i) as sample_id,
    (['animal', 'crate', 'foliage', 'ladder', 'person'])[i % 5 + 1] as label,
    i / 10.0::double as label_value,
    'person' as origin,
    timestamptz '2026-02-02 00:00:00+00' as settled_at,
    case when i < 50 then 'base' else 'fixed' end as reason,
    case when i >= 50 then format('f{:02d}', i) end as fix_id,
    case when i >= 50 then ['crouched-picker'] end as case_names,
    16 as feature_length,
    true as is_finite,
    false as is_reserved,
    true as lot_passed,
    format('g{}', i % 10) as recording_id,
    i >= 50 as is_from_fix,
    case when i >= 50 then 'new' end as guideline_sha256,
    i >= 50 as is_new,
    case when i >= 50 then 'crouched-picker' end as added_for,
    null::varchar as lacks
from range(60) as rows (i);
create or replace temp table near_duplicate (sample_id varchar);
create or replace temp table left_out (sample_id varchar, why varchar);
create or replace temp table suspected_row (sample_id varchar, given_label varchar, rank_sum double);
create or replace temp table parent_row as
select sample_id, label, label_value from judged_row where not is_new
union all
select 'gone' || i, (['animal', 'crate', 'foliage', 'ladder', 'person'])[i % 5 + 1], 1.0
from range(10) as gone (i);
create or replace temp table slice_count as
select *
from (values
    ('unit_id', 'cart-1', 25, 30, 30, 90), ('unit_id', 'cart-2', 25, 30, 30, 60), ('unit_id', 'cart-3', 0, 0, 0, 5)
) as t (slice, value, kept_count, parent_count, row_count, known_count);
