-- one row per wanted fix and case, cut to the samples that matter most
create or replace temp table wanted_fix as
with ranked as (
    select sample_id, max(priority) as priority
    from wanted_fix
    group by sample_id
    order by priority desc, sample_id
    limit $at_most
)
select w.*
from wanted_fix as w
semi join ranked as r on r.sample_id = w.sample_id
