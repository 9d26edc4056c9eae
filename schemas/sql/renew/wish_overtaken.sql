-- one row per overtaken fix, to be asked anew for the same reason, and one per case and reason that had asked for it
insert into wanted_fix by name
select
    sample_id,
    $attribute as attribute,
    reason,
    priority,
    null as case_name,
    null as misprediction_id,
    null as prediction_id,
    $guideline_sha256 as guideline_sha256
from overtaken_fix
union all by name
select
    o.sample_id,
    $attribute as attribute,
    r.reason,
    0.0 as priority,
    r.case_name,
    r.misprediction_id,
    r.prediction_id,
    $guideline_sha256 as guideline_sha256
from overtaken_fix as o
inner join fix_request as r on r.fix_id = o.fix_id
