-- one row per sample that may hold a known item: those that do, and of those with a person's label the first in an
-- order that nobody who answers can work out (its seed is the first pulled file's id)
create or replace temp table known_focus as
with seed as (
    select arg_min(batch_id, (known_at, batch_id)) as seed
    from pull_batch
    where kind <> 'answers'
),
concerned as (
    select sample_id from present_member where case_name = $case_name
    union
    select f.sample_id
    from fix_request as r
    inner join label_fix as f on f.fix_id = r.fix_id
    where r.case_name = $case_name
),
labelled as (
    select distinct r.sample_id
    from label_revision as r
    inner join handing_attribute as s on s.attribute = r.attribute
    where r.origin = 'person'
        and ($attribute is null or r.attribute = $attribute)
        and ($case_name is null or r.sample_id in (select sample_id from concerned))
        and ($annotator is not null or r.fix_id is null)
),
answered as (
    select q.sample_id
    from asked_attempt as q
    inner join fix_answer as a on a.fix_id = q.fix_id
    where a.annotator = $annotator
),
drawn as (
    select l.sample_id, sha256(coalesce(d.seed, '') || chr(31) || l.sample_id) as place
    from labelled as l
    cross join seed as d
    anti join answered as a on a.sample_id = l.sample_id
    order by place
    limit $pool
)
select sample_id, place
from drawn
union
select k.sample_id, sha256(coalesce(d.seed, '') || chr(31) || k.sample_id)
from known_item as k
cross join seed as d
where $case_name is null or k.sample_id in (select sample_id from concerned)
