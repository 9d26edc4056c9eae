-- one row per key of the context: in how many of the rows it stands
with keys as (
    select distinct s.sample_id, unnest(json_keys(s.context)) as key
    from sample as s
    semi join exported_row as e on e.sample_id = s.sample_id
    where s.context is not null
)
select key, count(*) as row_count
from keys
group by key
order by key
