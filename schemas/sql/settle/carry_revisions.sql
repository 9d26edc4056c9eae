-- one row per sample that a settled answer is carried to: the rest of the track, where no person's label came by
-- file and the label is not the same already
insert into label_revision by name
with answered as (
    select t.recording_id, t.object_id, r.*
    from track_settled as t
    inner join label_revision as r on r.fix_id = t.fix_id and r.sample_id = t.sample_id
),
track_sample as (
    select s.sample_id, any_value(s.observed_at) as observed_at, any_value(a.revision_id) as answered_id
    from sample as s
    inner join answered as a on a.recording_id = s.recording_id and a.object_id = s.object_id
    -- an answer never leaves its group: a hold-out's would reach training
    inner join grouped_sample as g on g.sample_id = s.sample_id
    inner join grouped_sample as h on h.sample_id = a.sample_id and h.group_id = g.group_id
    where s.attribute = $attribute and s.sample_id <> a.sample_id
    group by s.sample_id
),
standing as (
    select
        r.sample_id,
        min(r.revision_id) as revision_id,
        bool_or(r.fix_id is null) as is_by_file,
        list(distinct coalesce(r.present_label, cast(r.label_value as varchar))) as labels
    from standing_revision as r
    semi join track_sample as t on t.sample_id = r.sample_id
    where r.origin = 'person'
    group by r.sample_id
)
select
    make_revision_id(
        t.sample_id, a.label, a.label_value, 'person', a.decided_by, a.decided_at, a.fix_id
    ) as revision_id,
    t.sample_id,
    a.attribute,
    t.observed_at,
    a.label,
    a.label_value,
    'person' as origin,
    a.decided_by,
    a.decided_at,
    a.fix_id,
    a.guideline_sha256,
    s.revision_id as supersedes,
    $known_at as known_at
from track_sample as t
inner join answered as a on a.revision_id = t.answered_id
left join standing as s on s.sample_id = t.sample_id
anti join label_revision as k on k.sample_id = t.sample_id and k.fix_id = a.fix_id
where s.sample_id is null
    or (
        not s.is_by_file
        and s.labels <> [coalesce(a.label, cast(a.label_value as varchar))]
    )
