-- one row per misprediction that stands: its rule's latest definition, its label's current revision, not lapsed
with latest_rule as (
    select rule, attribute, arg_max(coalesce(definition_sha256, ''), known_at) as definition_sha256
    from rule_definition
    group by rule, attribute
)
select m.*
from misprediction as m
inner join latest_rule as r
    on r.rule = m.rule and r.attribute = m.attribute and r.definition_sha256 = m.definition_sha256
left join current_label as l on l.sample_id = m.sample_id
anti join misprediction_lapse as x on x.misprediction_id = m.misprediction_id
where m.revision_id is not distinct from l.revision_id
