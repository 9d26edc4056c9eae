-- one row per track of the attribute that was asked about: how many more of its samples may be. Where the attribute is
-- constant one answer serves the track, so one question at a time; else `per_track` samples in all, second looks, older
-- guidelines, hold-outs and the watch not counted
insert into track_room
with asked as (
    select fix_id, sample_id, reason
    from label_fix
    where attribute = $attribute
),
tracks as (
    select distinct s.sample_id, s.recording_id, s.object_id
    from sample as s
    semi join asked as a on a.sample_id = s.sample_id
)
select
    $attribute,
    t.recording_id,
    t.object_id,
    case
        when $is_constant then case when bool_or(o.fix_id is null) then 0 else 1 end
        else greatest(
            0,
            $per_track
                - count(distinct a.sample_id) filter (where a.reason in ('flagged', 'mined', 'look_alike'))
        )
    end
from asked as a
inner join tracks as t on t.sample_id = a.sample_id
left join fix_outcome as o on o.fix_id = a.fix_id
group by t.recording_id, t.object_id
