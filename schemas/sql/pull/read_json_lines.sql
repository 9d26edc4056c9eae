-- one row per line of the JSON Lines file at hand that is not empty
with lines as (
    select
        row_number,
        fault,
        coalesce(line, c0) as line,
        coalesce(json_type(case when json_valid(c0) then c0 end) = 'OBJECT', false) as is_object
    from numbered_text_line
    where fault is not null or trim(c0) <> ''
),
read as (
    select *, from_json(case when is_object then line end, $shape) as fields
    from lines
)
select
    row_number,
    coalesce(fault, case when not is_object then 'is no JSON object' end) as fault,
    coalesce(line, '') as line,
    unnest(fields)
from read
