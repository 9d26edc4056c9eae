-- one row per case whose members have become more frequent among the tracks of its attribute: in the last seven days by
-- $times or more than in the four weeks before, more than in any one of these, and by more than chance (two shares,
-- pooled normal test, 99.9 %: z 3.0902); is_known is false where less than two of these weeks have tracks
with served as (
    select
        s.attribute, s.recording_id, s.object_id,
        cast(floor(date_diff('second', s.observed_at, $now::timestamptz) / 604800) as integer) as week,
        list(s.sample_id) as sample_ids
    from sample as s
    where s.observed_at >= $first::timestamptz and s.observed_at < $now::timestamptz
        and exists (select 1 from prediction as p where p.sample_id = s.sample_id and p.role = 'served'
            and p.observed_at >= $first::timestamptz and p.observed_at < $now::timestamptz)
    group by all
),

exposed as (
    select attribute, week, count(*) as tracks
    from served
    group by attribute, week
),

member_tracks as (
    select m.case_name, v.attribute, v.week, count(distinct (v.recording_id, v.object_id)) as hits
    from (select attribute, recording_id, object_id, week, unnest(sample_ids) as sample_id from served) as v
    inner join present_member as m on m.sample_id = v.sample_id and m.attribute = v.attribute
    group by all
),

weekly as (
    select
        c.case_name, e.week, e.tracks, coalesce(m.hits, 0) as hits
    from (select distinct case_name, attribute from present_member) as c
    inner join exposed as e on e.attribute = c.attribute
    left join member_tracks as m on m.case_name = c.case_name and m.week = e.week
),

summed as (
    select
        case_name,
        coalesce(sum(hits) filter (where week = 0), 0) as hits, sum(tracks) filter (where week = 0) as tracks,
        sum(hits) filter (where week > 0) as hits_then, sum(tracks) filter (where week > 0) as tracks_then,
        max(hits / tracks) filter (where week > 0) as highest,
        count(*) filter (where week > 0) >= 2 as is_known
    from weekly
    group by case_name
),

judged as (
    select
        *, hits / tracks as rate, hits_then / tracks_then as rate_then,
        (hits + hits_then) / (tracks + tracks_then) as pooled
    from summed
    where tracks > 0
)

select
    case_name as subject,
    case when is_known then format(
        '{} of {} tracks of seven days are its members ({:.1f} %), in the four weeks before {} of {} ({:.1f} %); '
            || 'look at it: turnrow case {}',
        hits, tracks, 100 * rate, hits_then, tracks_then, 100 * rate_then, case_name
    ) else 'fewer than two weeks with tracks before the last' end as message,
    is_known
from judged
where not is_known
    or (hits >= 5 and rate > highest and rate >= $times * rate_then
        and rate - rate_then > 3.0902 * sqrt(pooled * (1 - pooled) * (1.0 / tracks + 1.0 / tracks_then)))
order by case_name
