-- one row per label: it offends if, without the rows that were added for targeted cases, its share of the rows
-- differs from its share of the parent by more than allowed; the explained part of a difference is told first
with cells as (
    select coalesce(label, '(none)') as label, added_for, count(*) as row_count
    from checked_row
    group by all
),

now as (
    select label, sum(row_count) as row_count, coalesce(sum(row_count) filter (where added_for is null), 0) as kept
    from cells
    group by label
),

before as (
    select coalesce(label, '(none)') as label, count(*) as row_count
    from parent_row
    group by all
),

shares as (
    select
        coalesce(now.label, before.label) as label,
        coalesce(now.row_count, 0) / sum(now.row_count) over () as share_now,
        coalesce(coalesce(now.kept, 0) / nullif(sum(now.kept) over (), 0), 0) as share_kept,
        coalesce(before.row_count, 0) / sum(before.row_count) over () as share_before
    from now
    full join before on before.label = now.label
),

added as (
    select added_for, sum(row_count) as row_count
    from cells
    where added_for is not null
    group by added_for
),

-- what a case's rows move a label's share by: those with the label, less what its kept share would have given them
explained as (
    select
        shares.label,
        string_agg(
            format('{:.3f} of it from rows added for {}', round((coalesce(cells.row_count, 0)
                - added.row_count * shares.share_kept) / (select sum(row_count) from now), 3) + 0.0, added.added_for),
            ', ' order by added.added_for
        ) as told
    from shares
    cross join added
    left join cells on cells.label = shares.label and cells.added_for = added.added_for
    group by shares.label
),

-- nine digits, so that a difference of exactly the limit is not failed by the last bit of a subtraction
judged as (
    select
        shares.*,
        abs(share_kept - share_before) as unexplained,
        round(abs(share_kept - share_before), 9) > $at_most as is_offending,
        format('{}: {:.3f}, parent {:.3f}', shares.label, share_now, share_before)
            || coalesce(
                format('; {}, {:.3f} unexplained', explained.told, round(share_kept - share_before, 3) + 0.0), ''
            ) as told
    from shares
    left join explained on explained.label = shares.label
),

told as (
    select coalesce(
        string_agg(told, '; ' order by unexplained desc, label) filter (where is_offending),
        arg_max(told, (unexplained, abs(share_now - share_before), label))
    ) as observed
    from judged
)

select null::varchar as sample_id, told.observed, judged.is_offending
from judged
cross join told
