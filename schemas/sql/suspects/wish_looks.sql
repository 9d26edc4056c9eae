-- one row per suspected label that somebody is to look at again: not while a question about the sample is open, not
-- where the present label was decided at such a look, at most twice in all, never in a reserved group, and of a track
-- no more than it has room for
insert into wanted_fix
with looks as (
    select f.fix_id, f.sample_id
    from label_fix as f
    left join fix_end as e on e.fix_id = f.fix_id
    where f.reason = 'second_look' and e.outcome is distinct from 'withdrawn'
),
looked_twice as (
    select sample_id from looks group by sample_id having count(*) >= 2
),
reserved as (
    select group_id from holdout_reserved where attribute = $attribute
),
severities as (
    select case_name, arg_max(severity, known_at) as severity
    from failure_case
    group by case_name
),
doubted as (
    select x.sample_id, x.given_label, x.likely_label, x.place, a.case_name, s.recording_id, s.object_id
    from suspected_row as x
    inner join assembled as a on a.sample_id = x.sample_id
    inner join label_revision as r on r.revision_id = a.revision_id
    inner join known_sample as s on s.sample_id = x.sample_id
    anti join open_fix as o on o.sample_id = x.sample_id
    anti join looked_twice as t on t.sample_id = x.sample_id
    anti join reserved as v on v.group_id = a.group_id
    where r.fix_id is null or r.fix_id not in (select fix_id from looks)
),
placed as (
    select
        d.*,
        coalesce(r.room, u.room) as room,
        row_number() over (partition by d.recording_id, d.object_id order by d.place) as track_place
    from doubted as d
    inner join untouched_track as u on u.attribute = $attribute
    left join track_room as r
        on r.attribute = $attribute and r.recording_id = d.recording_id and r.object_id = d.object_id
)
select
    p.sample_id,
    $attribute,
    'second_look',
    fix_priority(
        'second_look',
        v.severity,
        list_contains($critical::varchar[], p.given_label) or list_contains($critical::varchar[], p.likely_label),
        1 / (1 + p.place)
    ),
    null,
    null,
    null,
    $guideline_sha256
from placed as p
left join severities as v on v.case_name = p.case_name
where p.track_place <= p.room
