-- one row per fix that ends
insert into fix_outcome
select
    n.fix_id,
    n.outcome,
    case
        when n.outcome = 'settled'
            then make_revision_id(
                n.sample_id, n.label, n.label_value, 'person', n.decided_by, n.decided_at, n.fix_id
            )
    end,
    $known_at
from new_outcome as n
anti join fix_outcome as o on o.fix_id = n.fix_id
