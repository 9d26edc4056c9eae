-- one row per file, with what became of its rows
insert into pull_batch
with totals as (
    select file_number, count(*) as row_count from staged_row group by file_number
),
kept as (
    select file_number, count(*) as row_count from added_row where is_kept group by file_number
),
bad as (
    select file_number, count(*) as row_count from bad_row group by file_number
)
select
    f.batch_id, f.source_uri, f.content_sha256, f.kind,
    coalesce(t.row_count, 0),
    coalesce(k.row_count, 0),
    coalesce(t.row_count, 0) - coalesce(k.row_count, 0) - coalesce(b.row_count, 0),
    coalesce(b.row_count, 0),
    $run_id,
    $known_at
from fresh_file as f
left join totals as t on t.file_number = f.file_number
left join kept as k on k.file_number = f.file_number
left join bad as b on b.file_number = f.file_number
order by f.file_number
