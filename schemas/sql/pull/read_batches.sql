-- one row per content, with the counts of its batch
select content_sha256, kind, batch_id, rows_read, rows_kept, rows_duplicate, rows_quarantined
from pull_batch
qualify row_number() over (partition by content_sha256 order by known_at) = 1
