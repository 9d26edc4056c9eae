-- one row: the imported file; what was taken back within it counts as bringing nothing new
insert into pull_batch
select
    $batch_id,
    $source_uri,
    $content_sha256,
    'answers',
    count(*),
    count(*) filter (where reason is null and not is_duplicate and not is_taken_back),
    count(*) filter (where reason is null and (is_duplicate or is_taken_back)),
    count(*) filter (where reason is not null),
    null,
    $known_at
from judged_answer
