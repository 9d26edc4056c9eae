-- one row per key that erasures were made with (one, unless the warehouse was handled by hosts with different keys)
select key_check, count(distinct tombstone) as erasures
from erasure
group by key_check
order by key_check nulls first
