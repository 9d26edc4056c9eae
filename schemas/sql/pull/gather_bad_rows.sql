-- one row per row that is quarantined
create or replace temp table bad_row as
select r.file_number, r.row_number, r.reason
from staged_row as r
semi join fresh_file as f on f.file_number = r.file_number
where r.reason is not null
union all
select file_number, row_number, reason from misfit_row
union all
select file_number, row_number, reason from settled_row where reason is not null
