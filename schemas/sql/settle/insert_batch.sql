-- one row: the imported file
insert into pull_batch
select
    $batch_id,
    $source_uri,
    $content_sha256,
    'answers',
    count(*),
    count(*) filter (where reason is null and not is_duplicate),
    count(*) filter (where reason is null and is_duplicate),
    count(*) filter (where reason is not null),
    null,
    $known_at
from judged_answer
