-- one row per open fix that was answered under older guidelines only: its answers can never settle it with new ones
create or replace temp table overtaken_fix as
with answered as (
    select fix_id
    from fix_answer
    group by fix_id
    having bool_and(guideline_sha256 is distinct from $guideline_sha256)
)
select o.fix_id, o.sample_id, o.reason, o.priority
from open_fix as o
semi join answered as a on a.fix_id = o.fix_id
where o.attribute = $attribute
