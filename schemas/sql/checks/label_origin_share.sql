-- one row: it offends if the labels of an origin are a greater share of the rows than allowed
with counted as (
    select count(*) as row_count, count(*) filter (where origin = $origin) as origin_count
    from checked_row
)

select
    null::varchar as sample_id,
    format(
        '{:.3f} of the rows ({} of {}) have a label of origin {}; at most {:.3f}',
        origin_count / row_count, origin_count, row_count, $origin::varchar, $at_most::double
    ) as observed,
    origin_count > $at_most * row_count as is_offending
from counted
