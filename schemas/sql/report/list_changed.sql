-- one row per shown sample of one change: critical classes first, then by how sure the candidate was
select
    c.sample_id,
    s.recording_id,
    s.object_id,
    epoch_us(s.observed_at) as observed_at,
    c.holdouts,
    c.truth,
    c.before,
    c.after,
    c.confidence,
    s.media_uri
from changed_sample as c
inner join known_sample as s on s.sample_id = c.sample_id
where c.change = $change and not c.is_withheld
order by list_contains($critical::varchar[], c.truth) desc, c.confidence desc nulls last, c.sample_id
limit $at_most
