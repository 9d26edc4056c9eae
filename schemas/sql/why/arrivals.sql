-- one row per file that brought something of the sample: what, and when it was first known
with brought as (
    select batch_id, 'sample' as thing, known_at from sample
    union all
    select batch_id, space, known_at from sample_vector
    union all
    select batch_id, 'prediction', known_at from prediction
    union all
    select batch_id, 'label', known_at from label_revision where batch_id is not null
),
files as (
    select batch_id, arg_min(source_uri, known_at) as source_uri, min(content_sha256) as content_sha256
    from pull_batch
    group by batch_id
)
select
    b.batch_id,
    any_value(f.source_uri) as source_uri,
    any_value(f.content_sha256) as content_sha256,
    list_sort(list(distinct b.thing)) as things,
    epoch_us(min(b.known_at)) as known_at
from brought as b
left join files as f on f.batch_id = b.batch_id
group by b.batch_id
order by min(b.known_at), any_value(f.source_uri)
