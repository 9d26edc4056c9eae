-- one row per wanted fix and case: those that only join an open fix, and new ones cut to what matters most
create or replace temp table wanted_fix as
with ranked as (
    select w.sample_id, max(w.priority) as priority
    from wanted_fix as w
    anti join open_fix as o on o.sample_id = w.sample_id
    group by w.sample_id
    order by priority desc, w.sample_id
    limit $at_most
),
taken as (
    select sample_id from ranked
    union
    select sample_id from open_fix
)
select w.*
from wanted_fix as w
semi join taken as t on t.sample_id = w.sample_id
