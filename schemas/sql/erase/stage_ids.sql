-- what the samples lead to: their questions of any kind, and their mispredictions
create or replace temp table erased_fix as
select distinct f.fix_id
from (
    select fix_id, sample_id from label_fix
    union all
    select fix_id, sample_id from known_item
    union all
    select fix_id, sample_id from audit_item
) as f
semi join erased_sample as s on s.sample_id = f.sample_id;
create or replace temp table erased_misprediction as
select distinct m.misprediction_id
from misprediction as m
semi join erased_sample as s on s.sample_id = m.sample_id;
