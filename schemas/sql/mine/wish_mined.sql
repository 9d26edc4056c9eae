-- one row per sample chosen for a case
insert into wanted_fix
select
    n.sample_id,
    $attribute,
    n.reason,
    fix_priority(n.reason, $severity, false, n.likeness, case_share := z.share),
    $case_name,
    null,
    p.prediction_id,
    $guideline_sha256
from mined_sample as n
left join current_prediction as p on p.sample_id = n.sample_id
left join case_share as z on z.case_name = $case_name
