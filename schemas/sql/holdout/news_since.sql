-- one row: whether any file, answer or decision came in after a hold-out was drawn
with drawn as (
    select known_at from holdout where holdout_id = $holdout_id
),
news as (
    select known_at from pull_batch
    union all
    select known_at from fix_outcome
    union all
    select known_at from sign_off
)
select coalesce(bool_or(n.known_at > d.known_at), false)
from news as n
cross join drawn as d
