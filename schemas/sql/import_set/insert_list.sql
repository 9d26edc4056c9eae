-- one row per list that is not kept yet
insert into listed_set
select $list_id, $attribute, make_batch_id($sha256), $known_at
where not exists (select 1 from listed_set where list_id = $list_id)
