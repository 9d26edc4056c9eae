-- one row per training set of the line and file that a row of it came from: its prediction's, or its label's
with named as (
    select distinct l.version, unnest([l.batch_id, l.label_batch_id]) as batch_id
    from training_set_lineage as l
    semi join traced_line as t on t.id = l.version
)
select
    n.version, n.batch_id, any_value(b.kind) as kind, arg_min(b.source_uri, b.known_at) as source_uri,
    min(b.content_sha256) as content_sha256, epoch_us(min(b.known_at)) as known_at
from named as n
inner join pull_batch as b on b.batch_id = n.batch_id
group by n.version, n.batch_id
order by n.version, n.batch_id
