-- one row per training row, in order of sample_id: its features, the first that were known; a window over the vectors
-- themselves would cost as much as all else here
with repeated as (
    select v.sample_id, min(v.known_at) as first_at
    from sample_vector as v
    semi join assembled as a on a.sample_id = v.sample_id
    where v.space = $feature_space
    group by v.sample_id
    having count(*) > 1
)
select v.vector
from sample_vector as v
semi join assembled as a on a.sample_id = v.sample_id
left join repeated as r on r.sample_id = v.sample_id
where v.space = $feature_space and (r.sample_id is null or v.known_at = r.first_at)
order by v.sample_id
