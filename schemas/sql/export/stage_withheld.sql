-- one row per row of a version that may not be given out, and why; what an erasure took away comes first
create or replace temp table withheld_row as
with forbidden as (
    select sample_id, why, null as note, case why when 'erased' then 1 when 'reserved' then 2 else 4 end as place
    from leaked_row
    union all
    select sample_id, 'restricted', why, 3
    from restricted_sample
)
select sample_id, why, note
from forbidden
qualify row_number() over (partition by sample_id order by place, why, note nulls last) = 1
