-- one row per member of a hold-out that is being frozen: the label it is judged by (null: it ended without one, or nobody
-- may be asked for it, or for its audit, any more)
insert into holdout_label
select
    holdout_id,
    sample_id,
    case when state <> 'beyond_audit' or not $is_audited then revision_id end
from waiting_member
where holdout_id = $holdout_id
