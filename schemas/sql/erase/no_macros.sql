-- where nothing was ever erased, nothing has to be hashed
create or replace temp macro names_erased(raw) as false;
create or replace temp macro is_erased_fix(fix_id) as false;
