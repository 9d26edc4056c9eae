-- one row per prediction; scores that the trainer left null are left out
select
    sample_id,
    predicted,
    predicted_value,
    confidence,
    map_from_entries(list_filter(map_entries(scores), lambda entry: entry.value is not null)) as scores
from answered
order by sample_id
