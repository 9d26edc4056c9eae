-- one row per flag that a rule raised: whether it lives, else why not
with latest_rule as (
    select
        rule,
        attribute,
        arg_max(coalesce(definition_sha256, ''), known_at) as definition_sha256,
        max(known_at) as known_at
    from rule_definition
    group by rule, attribute
),
lapsed as (
    select misprediction_id, arg_min(because, known_at) as because, min(known_at) as known_at
    from misprediction_lapse
    group by misprediction_id
)
select
    m.misprediction_id,
    m.rule,
    m.score,
    m.prediction_id,
    p.model_version,
    epoch_us(m.known_at) as known_at,
    f.misprediction_id is not null as is_live,
    case
        when f.misprediction_id is not null then null
        when x.because is not null then x.because
        when coalesce(r.definition_sha256, '') = '' then 'the rule is no longer in use'
        when r.definition_sha256 <> m.definition_sha256 then 'the rule was changed'
        else 'the label changed'
    end as because,
    epoch_us(case when f.misprediction_id is null then x.known_at end) as lapsed_at
from misprediction as m
left join live_flag as f on f.misprediction_id = m.misprediction_id
left join lapsed as x on x.misprediction_id = m.misprediction_id
left join latest_rule as r on r.rule = m.rule and r.attribute = m.attribute
left join prediction as p on p.prediction_id = m.prediction_id
order by m.known_at, m.rule, m.misprediction_id
