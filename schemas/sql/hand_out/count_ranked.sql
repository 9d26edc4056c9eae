-- one row per attribute that is asked about: how many questions, and a text to draw by that nobody who answers can
-- work out
with seed as (
    select arg_min(batch_id, (known_at, batch_id)) as seed
    from pull_batch
    where kind <> 'answers'
)
select
    r.attribute,
    count(*) as questions,
    sha256(coalesce(any_value(d.seed), '') || coalesce($annotator, '') || arg_min(r.fix_id, r.place)) as draw
from ranked_fix as r
cross join seed as d
group by r.attribute
order by r.attribute
