-- one row per reason why rows of a version may not be trained on now, each row under the first that holds: how many, and
-- one of them
with judged as (
    select sample_id, min(list_position(['erased', 'reserved', 'restricted', 'near_duplicate'], why)) as place
    from leaked_row
    where version = $version
    group by sample_id
)
select
    ['erased', 'reserved', 'restricted', 'near_duplicate'][place] as why,
    count(*) as row_count,
    min(sample_id) as example
from judged
group by place
order by place
