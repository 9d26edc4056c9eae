-- one row per label fix that has ended: how, by its latest outcome, and with which label revision (null: with none)
select
    fix_id,
    arg_max(outcome, known_at) as outcome,
    arg_max({'revision_id': revision_id}, known_at).revision_id as revision_id,
    max(known_at) as known_at
from fix_outcome
group by fix_id
