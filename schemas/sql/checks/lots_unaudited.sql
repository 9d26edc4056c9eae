-- one row if nothing audits the lots of label fixes; it offends if rows came from such fixes
with counted as (
    select count(fix_id) as row_count
    from checked_row
)

select
    null::varchar as sample_id,
    format('{} rows from label fixes were taken in without an audit', row_count) as observed,
    row_count > 0 as is_offending
from counted
where not $is_audited::boolean
