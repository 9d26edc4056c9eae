-- no rows: an attribute's general hold-out has no case whose errors could be near
create or replace temp table case_pair as
select cast(null as varchar) as truth, cast(null as varchar) as predicted
where false
