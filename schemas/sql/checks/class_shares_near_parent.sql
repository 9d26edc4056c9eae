-- one row per label whose share of the rows differs from its share of the parent by more than allowed
with counted as (
    select label, count(*) / sum(count(*)) over () as share
    from checked_row
    group by label
),

compared as (
    select
        coalesce(counted.label, parent_share.label) as label,
        coalesce(counted.share, 0) as share_now,
        coalesce(parent_share.share, 0) as share_before
    from counted
    full join parent_share on counted.label = parent_share.label
),

-- nine digits, so that a difference of exactly the limit is not failed by the last bit of a subtraction
distant as (
    select label, share_now, share_before, abs(share_now - share_before) as difference
    from compared
    where round(abs(share_now - share_before), 9) > $at_most
),

worst as (
    select label, share_now, share_before
    from distant
    order by difference desc, label
    limit 1
)

select
    null::varchar as sample_id,
    format('{}: {:.3f}, parent {:.3f}', worst.label, worst.share_now, worst.share_before) as observed
from distant
cross join worst
