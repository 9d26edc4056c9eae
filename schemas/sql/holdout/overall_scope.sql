-- one row per served sample of an attribute
create or replace temp table scope_sample as
select sample_id from current_prediction where attribute = $attribute
