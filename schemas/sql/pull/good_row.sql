-- one row per row that breaks no promise by itself
create or replace temp view good_row as
select f.*
from fresh_row as f
anti join misfit_row as m on m.file_number = f.file_number and m.row_number = f.row_number
