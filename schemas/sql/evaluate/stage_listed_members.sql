-- one row per member that a file listed (listed_member), as something whose likeness can be measured
create or replace temp table likeness_candidate as
select
    sample_id,
    group_id,
    cast(null as varchar) as predicted,
    1.0 as margin,
    cast(0 as ubigint) as track,
    cast(1 as bigint) as room
from listed_member
