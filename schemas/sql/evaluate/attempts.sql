-- one row per hold-out that candidates were judged by since a model was last accepted: how many others than this one;
-- of a case only those count that were to be better on it, of the overall one every candidate that was compared
with accepted as (
    select max(known_at) as known_at
    from sign_off
    where attribute = $attribute and decision in ('import', 'accept')
),
judged as (
    select g.candidate, g.holdout_id
    from gate_decision as g
    inner join holdout as h on h.holdout_id = g.holdout_id
    where h.attribute = $attribute
        and g.estimate is not null
        and (g.criterion = 'guard:whole' or g.criterion like 'target:%')
        and g.candidate is distinct from $candidate
        and g.known_at > coalesce((select known_at from accepted), timestamptz '1970-01-01 00:00:00+00')
)
select holdout_id, count(distinct candidate) as attempts
from judged
group by holdout_id
order by holdout_id
