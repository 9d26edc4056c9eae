-- one row per question of the batch whose opinion may ever be shown: not of hold-outs and their groups, of the watch,
-- of known items and of audits. Where there are such tests half of the other questions keep theirs back too, drawn
-- by a seed that nobody who answers has: else a known item could be told by the silence after it
with seed as (
    select arg_min(batch_id, (known_at, batch_id)) as seed
    from pull_batch
    where kind <> 'answers'
),
fair as (
    select distinct fix_id
    from fix_request
    where reason in ('holdout', 'watch')
),
tests as (
    select $has_tests or coalesce(bool_or(kind <> 'fix'), false) as has_tests
    from chosen_fix
)
select c.fix_id, p.predicted, p.predicted_value, p.confidence
from chosen_fix as c
inner join current_prediction as p on p.sample_id = c.sample_id
cross join tests as t
cross join seed as s
anti join fair as f on f.fix_id = c.fix_id
anti join reserved_question as r on r.sample_id = c.sample_id
where c.kind = 'fix'
    and coalesce(c.reason, '') not in ('holdout', 'watch')
    and (not t.has_tests or sha256(coalesce(s.seed, '') || chr(31) || 'silent' || chr(31) || c.fix_id) < '8')
order by c.fix_id
