-- one row per sample of the scope that may be drawn: served, its group never trained on, and with features where
-- a model needs them to answer; is_old: it was there when the version that is carried on was drawn
create or replace temp table eligible_sample as
-- also what a label contradicts that no rule was asked about yet: whether it is known as an error must not depend on
-- which command ran first
with flagged as (
    select sample_id from live_flag
    union
    select p.sample_id
    from current_prediction as p
    inner join label_revision as r on r.sample_id = p.sample_id
    semi join scope_sample as s on s.sample_id = p.sample_id
    where r.label <> p.predicted or abs(r.label_value - p.predicted_value) > $tolerance * (1 + 1e-9)
),
answerable as (
    select sample_id from sample_vector where attribute = $attribute and space = $feature_space
    union
    select sample_id from scope_sample where not $needs_features
)
select
    s.sample_id,
    g.group_id,
    g.recording_id || chr(31) || g.object_id as track,
    k.unit_id,
    date_trunc('week', k.observed_at) as week,
    coalesce(k.known_at <= $carried_at::timestamptz, false) as is_old,
    case
        when f.sample_id is not null then 'flagged'
        when n.predicted is not null then 'near'
        else 'rest'
    end as stratum
from scope_sample as s
semi join answerable as a on a.sample_id = s.sample_id
inner join grouped_sample as g on g.sample_id = s.sample_id
inner join known_sample as k on k.sample_id = s.sample_id
inner join current_prediction as p on p.sample_id = s.sample_id
left join flagged as f on f.sample_id = s.sample_id
left join (select distinct predicted from case_pair) as n on n.predicted = p.predicted
anti join seen_group as x on x.group_id = g.group_id
