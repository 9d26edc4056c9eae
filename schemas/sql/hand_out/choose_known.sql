-- one row per known item to mix in: this person's own by an earlier lease, then those that exist, then new ones;
-- never a sample that has another question out or was asked of this person before
create or replace temp table chosen_known as
with answered as (
    select q.sample_id
    from asked_attempt as q
    inner join fix_answer as a on a.fix_id = q.fix_id
    where a.annotator = $annotator
),
busy as (
    select sample_id from open_question where kind <> 'known'
),
existing as (
    select o.fix_id, o.sample_id, o.attribute, o.attempt, o.answer_count, o.is_own, c.place, k.revision_id
    from offered_question as o
    inner join known_item as k on k.fix_id = o.fix_id
    inner join known_candidate as c on c.revision_id = k.revision_id
    where o.kind = 'known'
        and ($annotator is not null or o.fix_id not in (select fix_id from barred_annotator))
),
attempts as (
    select q.sample_id, max(q.attempt) as attempt
    from asked_attempt as q
    semi join known_candidate as c on c.sample_id = q.sample_id
    group by q.sample_id
),
fresh as (
    select
        make_fix_id(c.sample_id, coalesce(a.attempt, 0) + 1) as fix_id,
        c.sample_id,
        c.attribute,
        coalesce(a.attempt, 0) + 1 as attempt,
        0 as answer_count,
        false as is_own,
        c.place,
        c.revision_id
    from known_candidate as c
    left join attempts as a on a.sample_id = c.sample_id
    anti join known_item as k on k.sample_id = c.sample_id
),
choice as (
    select *, false as is_new from existing
    union all
    select *, true as is_new from fresh
),
free as (
    select c.*
    from choice as c
    anti join busy as b on b.sample_id = c.sample_id
    anti join answered as a on a.sample_id = c.sample_id
)
select f.*
from free as f
inner join known_wanted as w on w.attribute = f.attribute
qualify row_number() over (partition by f.attribute order by f.is_new, f.is_own desc, f.place) <= w.wanted
