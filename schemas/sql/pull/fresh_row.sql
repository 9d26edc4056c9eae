-- one row per good row of a file that no other writer has brought meanwhile
create or replace temp view fresh_row as
select r.*
from staged_row as r
semi join fresh_file as f on f.file_number = r.file_number
where r.reason is null
