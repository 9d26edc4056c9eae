-- one row per open fix and person whose answer counts: under one guideline, the present one where anybody answered
-- under it, else the one answered under last
create or replace temp table fix_vote as
with given as (
    select
        o.fix_id,
        o.sample_id,
        a.annotator,
        coalesce(n.present_label, a.answer) as answer,
        a.answer_value,
        a.answered_at,
        coalesce(a.guideline_sha256, '') as guideline,
        a.known_at
    from open_fix as o
    inner join fix_answer as a on a.fix_id = o.fix_id
    left join renamed_label as n on n.attribute = o.attribute and n.old_label = a.answer
    where o.attribute = $attribute
),
pools as (
    select
        fix_id,
        guideline,
        row_number() over (
            partition by fix_id
            order by guideline = coalesce($guideline_sha256, '') desc, max(known_at) desc, guideline
        ) as place
    from given
    group by fix_id, guideline
)
select g.* exclude (guideline, known_at), nullif(g.guideline, '') as guideline_sha256
from given as g
inner join pools as p on p.fix_id = g.fix_id and p.guideline = g.guideline
where p.place = 1
