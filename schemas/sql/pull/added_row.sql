-- one row per good row, with what it adds
create or replace temp view added_row as
select
    g.*,
    f.batch_id,
    s.reason as late_reason,
    s.row_number is not null as is_contested,
    s.row_number is null or list_contains(s.adds, 'sample') as adds_sample,
    s.row_number is null or list_contains(s.adds, 'prediction') as adds_prediction,
    s.row_number is null or list_contains(s.adds, 'features') as adds_features,
    s.row_number is null or list_contains(s.adds, 'embedding') as adds_embedding,
    s.row_number is null or list_contains(s.adds, 'revision') as adds_revision,
    s.row_number is null or len(s.adds) > 0 as is_kept
from good_row as g
inner join staged_file as f on f.file_number = g.file_number
left join settled_row as s on s.file_number = g.file_number and s.row_number = g.row_number
