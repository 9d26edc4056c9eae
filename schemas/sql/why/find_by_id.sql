-- one row per sample whose id begins so, the first few; `match_count` is how many there are
with matching as (
    select
        sample_id,
        any_value(recording_id) as recording_id,
        any_value(object_id) as object_id,
        any_value(observed_at) as observed_at,
        any_value(attribute) as attribute
    from sample
    where starts_with(sample_id, $prefix)
    group by sample_id
)
select * replace (epoch_us(observed_at) as observed_at), count(*) over () as match_count
from matching
order by sample_id
limit $at_most
