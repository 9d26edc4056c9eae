-- one row per kind of refusal whose share of the rows read has risen: in the last day above $at_least and $times or more
-- what it was in the four weeks before, and above each of their days; a refusal's kind is `contradictions` or `others`
-- (is_known is false where fewer than three earlier days had files)
with batches as (
    select batch_id, source_uri, rows_read, known_at >= $recent::timestamptz as is_now, cast(known_at as date) as day
    from pull_batch
    where known_at >= $first::timestamptz and rows_read > 0
),

refused as (
    select
        q.batch_id, starts_with(q.reason, 'contradicts') as is_contradiction, count(*) as row_count,
        mode(q.reason) as reason
    from quarantined_row as q
    where q.known_at >= $first::timestamptz
    group by all
),

kinds as (
    select
        b.is_now, b.day, k.is_contradiction, sum(b.rows_read) as rows_read, coalesce(sum(r.row_count), 0) as row_count,
        arg_max(r.reason, r.row_count) as reason, arg_max(b.source_uri, r.row_count) as file
    from batches as b
    cross join (values (true), (false)) as k(is_contradiction)
    left join refused as r on r.batch_id = b.batch_id and r.is_contradiction = k.is_contradiction
    group by all
),

summed as (
    select
        is_contradiction,
        sum(row_count) filter (where is_now) / sum(rows_read) filter (where is_now) as share,
        sum(row_count) filter (where not is_now) / sum(rows_read) filter (where not is_now) as usual,
        max(row_count / rows_read) filter (where not is_now) as highest,
        sum(row_count) filter (where is_now) as row_count,
        arg_max(reason, row_count) filter (where is_now) as reason,
        arg_max(file, row_count) filter (where is_now) as file,
        count(*) filter (where not is_now) >= 3 as is_known
    from kinds
    group by is_contradiction
)

select
    case when is_contradiction then 'contradictions' else 'others' end as subject,
    case when is_known then format(
        '{:.1f} % of the rows of the last day were refused ({}), usual are {:.1f} %; most often: {}; most in {}; look at '
            || 'them: turnrow sql "select * from quarantined_row order by known_at desc"',
        100 * share, row_count, 100 * usual, reason, file
    ) else 'files of fewer than three earlier days' end as message,
    is_known
from summed
where share is not null
    and (not is_known or (share > $at_least and share >= $times * usual and share > highest))
order by subject
