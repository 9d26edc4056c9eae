-- one row per sample of the scope that may be drawn: served, its group never trained on, not a member already
create or replace temp table eligible_sample as
with flagged as (
    select distinct sample_id from live_flag
)
select
    s.sample_id,
    g.group_id,
    g.recording_id || chr(31) || g.object_id as track,
    k.unit_id,
    date_trunc('week', k.observed_at) as week,
    case
        when f.sample_id is not null then 'flagged'
        when n.predicted is not null then 'near'
        else 'rest'
    end as stratum
from scope_sample as s
inner join grouped_sample as g on g.sample_id = s.sample_id
inner join known_sample as k on k.sample_id = s.sample_id
inner join current_prediction as p on p.sample_id = s.sample_id
left join flagged as f on f.sample_id = s.sample_id
left join (select distinct predicted from case_pair) as n on n.predicted = p.predicted
anti join seen_group as x on x.group_id = g.group_id
anti join carried_member as c on c.group_id = g.group_id
