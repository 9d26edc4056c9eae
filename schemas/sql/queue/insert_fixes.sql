-- one row per wanted sample that has no open fix and that nobody else has asked since it was staged
insert into label_fix
with wanted as (
    select
        sample_id,
        any_value(attribute) as attribute,
        arg_max(reason, (priority, reason)) as reason,
        max(priority) as priority,
        any_value(guideline_sha256) as guideline_sha256
    from wanted_fix
    group by sample_id
),
attempts as (
    select f.sample_id, max(f.attempt) as attempt
    from asked_attempt as f
    semi join wanted as w on w.sample_id = f.sample_id
    group by f.sample_id
)
select
    make_fix_id(w.sample_id, b.attempt + 1),
    w.sample_id,
    w.attribute,
    b.attempt + 1,
    w.reason,
    w.priority,
    w.guideline_sha256,
    b.about_revisions,
    $known_at
from wanted as w
inner join wanted_about as b on b.sample_id = w.sample_id
left join attempts as a on a.sample_id = w.sample_id
anti join open_fix as o on o.sample_id = w.sample_id
where coalesce(a.attempt, 0) = b.attempt
