-- one row per drawn sample: members of groups that stay from an earlier version, then groups in the order of a
-- seeded hash (spread over units and weeks where asked), one sample a track and at most $per_group a group,
-- until $size samples are there
-- inclusion_probability: share of groups drawn x share of the group's tracks x one of the track's samples; where
-- an earlier version is carried on, its groups' first chance counts too
create or replace temp table drawn_member as
with carried as (
    select distinct group_id from carried_member
),
groups as (
    select
        e.group_id,
        sha256($seed || chr(31) || e.group_id) as group_hash,
        bool_or(e.is_old) as is_old,
        count(distinct e.track) as group_tracks,
        least(count(distinct e.track), $per_group) as chosen,
        case when $is_spread
            then coalesce(min(e.unit_id), '') || chr(31) || cast(min(e.week) as varchar)
            else ''
        end as block
    from eligible_sample as e
    anti join carried as c on c.group_id = e.group_id
    group by e.group_id
),
-- a block's groups lie evenly between 0 and 1 from a random start on: each is as likely to come early, however
-- many its block holds
spread as (
    select
        *,
        (
            row_number() over (partition by block order by group_hash) - 1
            + cast('0x' || left(sha256($seed || chr(31) || block), 12) as bigint) / 281474976710656.0
        ) / count(*) over (partition by block) as place
    from groups
),
counted as (
    select
        *,
        sum(chosen) over (order by place, group_hash) - chosen as before,
        count(*) over () as all_groups,
        count(*) filter (where is_old) over () as old_groups
    from spread
),
taken as (
    select *, count(*) over () as taken_groups
    from counted
    where before < $size
),
chances as (
    select
        t.*,
        t.taken_groups / t.all_groups as now,
        case when t.is_old then k.carried_groups / (k.carried_groups + t.old_groups) else 0 end as earlier
    from taken as t
    cross join (select count(*) as carried_groups from carried) as k
),
placed as (
    select
        e.sample_id,
        e.track,
        e.stratum,
        c.*,
        sha256($seed || chr(31) || e.sample_id) as sample_hash,
        count(*) over (partition by e.group_id, e.track) as track_samples
    from eligible_sample as e
    inner join chances as c on c.group_id = e.group_id
),
one_a_track as (
    select *
    from placed
    qualify row_number() over (partition by group_id, track order by sample_hash) = 1
),
few_a_group as (
    select *
    from one_a_track
    qualify row_number() over (partition by group_id order by sample_hash) <= $per_group
)
select
    sample_id,
    group_id,
    stratum,
    (earlier + (1 - earlier) * now) * (chosen / group_tracks) * (1.0 / track_samples) as inclusion_probability,
    false as is_seen
from few_a_group
union all
select
    k.sample_id,
    k.group_id,
    k.stratum,
    k.inclusion_probability
        + (1 - k.inclusion_probability) * coalesce((select any_value(now) from chances), 0),
    k.is_seen
from carried_member as k
