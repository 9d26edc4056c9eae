-- one row per moment at which files came in of which rows were refused
select epoch_us(known_at) as known_at, cast(sum(rows_quarantined) as bigint) as row_count
from pull_batch
where rows_quarantined > 0
group by pull_batch.known_at
