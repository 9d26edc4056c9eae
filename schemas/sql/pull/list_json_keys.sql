-- one row per key that any line of the JSON Lines file at hand has
select distinct unnest(json_keys(c0)) as key
from numbered_text_line
where json_valid(c0) and json_type(case when json_valid(c0) then c0 end) = 'OBJECT'
order by key
