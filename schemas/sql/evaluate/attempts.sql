-- one row per hold-out by which, or by one that holds half of its unseen members or more, candidates were judged since
-- another model became the incumbent: how many others than this one. Of a case only those count that were to be better
-- on it, of the overall one every candidate that was compared
with decided as (
    select
        model_version,
        known_at,
        lag(model_version) over (order by known_at) as before
    from sign_off
    where attribute = $attribute and decision in ('import', 'accept')
),
changed as (
    select max(known_at) as known_at
    from decided
    where model_version is distinct from before
),
judged as (
    select distinct g.candidate, g.holdout_id
    from gate_decision as g
    inner join holdout as h on h.holdout_id = g.holdout_id
    where h.attribute = $attribute
        and g.estimate is not null
        and (g.criterion = 'guard:whole' or g.criterion like 'target:%')
        and g.candidate is distinct from $candidate
        and g.known_at > coalesce((select known_at from changed), timestamptz '1970-01-01 00:00:00+00')
),
members as (
    select m.holdout_id, m.sample_id, starts_with(h.case_name, 'overall:') as is_overall
    from holdout as h
    inner join holdout_member as m on m.holdout_id = h.holdout_id
    where h.attribute = $attribute and not m.is_seen
),
sizes as (
    select holdout_id, count(*) as member_count
    from members
    group by holdout_id
),
shared as (
    select a.holdout_id, b.holdout_id as judged_id, count(*) as shared_count
    from members as a
    inner join members as b on b.sample_id = a.sample_id and b.is_overall = a.is_overall
    semi join judged as j on j.holdout_id = b.holdout_id
    group by a.holdout_id, b.holdout_id
),
alike as (
    select s.holdout_id, s.judged_id
    from shared as s
    inner join sizes as n on n.holdout_id = s.holdout_id
    where 2 * s.shared_count >= n.member_count
)
select a.holdout_id, count(distinct j.candidate) as attempts
from alike as a
inner join judged as j on j.holdout_id = a.judged_id
group by a.holdout_id
order by a.holdout_id
