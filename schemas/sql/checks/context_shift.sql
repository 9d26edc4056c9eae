-- one row per slice: it offends if what was kept of the parent, and added for no targeted case, is spread over the
-- slice's values otherwise than the parent, by more than allowed and more than chance gives
with totals as (
    select slice, sum(kept_count) as kept_total, sum(parent_count) as parent_total
    from slice_count
    group by slice
),

-- values of which fewer than five are expected on either side are taken together (Cochran 1954, from memory)
binned as (
    select
        c.slice,
        case
            when (c.kept_count + c.parent_count) * least(t.kept_total, t.parent_total)
                < 5 * (t.kept_total + t.parent_total) then '(rare values)'
            else coalesce(c.value, '(none)')
        end as value,
        sum(c.kept_count) / any_value(t.kept_total) as share_now,
        sum(c.parent_count) / any_value(t.parent_total) as share_before,
        any_value(t.kept_total) as kept_total,
        any_value(t.parent_total) as parent_total
    from slice_count as c
    inner join totals as t on t.slice = c.slice
    where c.kept_count + c.parent_count > 0
    group by all
),

-- the population stability index as `population_stability_index` has it
parts as (
    select
        *,
        (greatest(share_now, 1e-4) - greatest(share_before, 1e-4))
            * ln(greatest(share_now, 1e-4) / greatest(share_before, 1e-4)) as part
    from binned
),

measured as (
    select
        slice,
        sum(part) as stability_index,
        1.0 / any_value(kept_total) + 1.0 / any_value(parent_total) as spread,
        greatest(count(*) - 1, 1) as freedom,
        format(
            '{} {:.3f}, parent {:.3f}',
            arg_max(value, (part, value)), arg_max(share_now, (part, value)), arg_max(share_before, (part, value))
        ) as told
    from parts
    group by slice
),

-- by chance the index is about chi-square times `spread` (Yurdakul 2018); its 99th percentile by Wilson & Hilferty 1931
judged as (
    select
        slice,
        stability_index,
        format('{}: index {:.3f}; {}', slice, stability_index, told) as told,
        stability_index > $at_most
            and stability_index
                > spread * freedom * pow(1 - 2 / (9.0 * freedom) + 2.3263 * sqrt(2 / (9.0 * freedom)), 3)
            as is_offending
    from measured
),

told as (
    select coalesce(
        string_agg(told, ', ' order by stability_index desc, slice) filter (where is_offending is not false),
        arg_max(told, (stability_index, slice)),
        'no row is kept of the parent'
    ) as observed
    from judged
)

select
    null::varchar as sample_id,
    format('{}; at most {:.3f}', told.observed, $at_most::double) as observed,
    judged.is_offending
from told
left join judged on true
