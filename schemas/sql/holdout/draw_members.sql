-- one row per drawn sample: groups in the order of a seeded hash (spread over units and weeks where asked),
-- one sample a track and at most $per_group a group, until $size samples are there
-- inclusion_probability: share of groups drawn x share of the group's tracks x one of the track's samples
create or replace temp table drawn_member as
with placed as (
    select
        *,
        sha256($seed || chr(31) || group_id) as group_hash,
        sha256($seed || chr(31) || sample_id) as sample_hash,
        count(*) over (partition by group_id, track) as track_samples
    from eligible_sample
),
one_a_track as (
    select *
    from placed
    qualify row_number() over (partition by group_id, track order by sample_hash) = 1
),
few_a_group as (
    select *, count(*) over (partition by group_id) as group_tracks
    from one_a_track
    qualify row_number() over (partition by group_id order by sample_hash) <= $per_group
),
groups as (
    select
        group_id,
        any_value(group_hash) as group_hash,
        count(*) as chosen,
        case when $is_spread then any_value(unit_id) || chr(31) || cast(min(week) as varchar) end as block
    from few_a_group
    group by group_id
),
spread as (
    select
        *,
        (row_number() over (partition by block order by group_hash) - 0.5)
            / count(*) over (partition by block) as place
    from groups
),
counted as (
    select
        *,
        sum(chosen) over (order by place, group_hash) - chosen as before,
        count(*) over () as all_groups
    from spread
),
taken as (
    select *, count(*) over () as taken_groups
    from counted
    where before < $size
)
select
    m.sample_id,
    m.group_id,
    m.stratum,
    (t.taken_groups / t.all_groups) * (t.chosen / m.group_tracks) * (1.0 / m.track_samples)
        as inclusion_probability,
    false as is_seen
from few_a_group as m
inner join taken as t on t.group_id = m.group_id
