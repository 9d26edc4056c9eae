-- one row per misprediction that was not known yet
insert into misprediction
select
    f.misprediction_id,
    f.sample_id,
    f.prediction_id,
    f.attribute,
    f.rule,
    f.definition_sha256,
    f.score,
    f.revision_id,
    $known_at
from new_flag as f
anti join misprediction as m on m.misprediction_id = f.misprediction_id
