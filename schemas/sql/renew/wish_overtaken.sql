-- one row per overtaken fix and wish for it, to be asked anew under the present guideline
insert into wanted_fix by name
select
    o.sample_id,
    $attribute as attribute,
    coalesce(r.reason, o.reason) as reason,
    o.priority,
    r.case_name,
    r.misprediction_id,
    r.prediction_id,
    $guideline_sha256 as guideline_sha256
from overtaken_fix as o
left join fix_request as r on r.fix_id = o.fix_id
