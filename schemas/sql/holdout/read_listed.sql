-- one row per listed sample: its place in the file, and its id if the warehouse knows it
create or replace temp table listed_sample as
select l.line, l.shown, k.sample_id
from listed_id as l
left join known_sample as k on k.sample_id = l.sample_id and k.attribute = $attribute
