-- one row if a lineage question about this kind of thing can be asked of this ID
with known as (
    select 'training_set' as kind from training_set where version = $id
    union all
    select 'model' from model where model_version = $id
    union all
    select 'label_revision' from label_revision where revision_id = $id
    union all
    select 'recording' from sample where recording_id = nfc_normalize($id)
)
select kind
from known
where kind = $kind
limit 1
