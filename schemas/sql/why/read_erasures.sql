-- one row per erasure that named one of these training sets, or has one of these tombstones or keyed hashes: since when,
-- and which training sets it concerned
select
    epoch_us(min(e.known_at)) as known_at,
    list_sort(list_distinct(flatten(list(coalesce(e.versions, []))))) as versions
from erasure as e
left join erased_id as i on i.tombstone = e.tombstone
where list_has_any(coalesce(e.versions, []), $versions::varchar[])
    or list_contains($hashes::varchar[], e.tombstone)
    or list_contains($hashes::varchar[], i.keyed_hash)
group by e.tombstone
order by 1
