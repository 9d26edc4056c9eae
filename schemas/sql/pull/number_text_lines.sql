-- one row per data row of the text file at hand, broken lines too: those keep the place of their line
create or replace temp table numbered_text_line as
with broken as (
    select
        line - $header_lines as row_number,
        string_agg(distinct lower(error_type), ', ' order by lower(error_type)) as error_type,
        any_value(csv_line) as line
    from text_reject
    group by line - $header_lines
),
numbered as (
    select row_number, row_number() over (order by row_number) as shift
    from broken
),
thresholds as (
    select row_number - shift as after_place, max(shift) as shift
    from numbered
    group by row_number - shift
),
whole as (
    select rowid + 1 as place, *
    from text_line
)
select
    w.place + coalesce(t.shift, 0) as row_number,
    null::varchar as fault,
    null::varchar as line,
    w.* exclude (place)
from whole as w
asof left join thresholds as t on w.place > t.after_place
union all by name
select row_number, 'is a broken line (' || error_type || ')' as fault, line
from broken
