-- one row per live flag of a rule on the samples in view that the rule, asked again, does not raise
insert into new_lapse
select f.misprediction_id, 'the rule no longer holds'
from live_flag as f
anti join new_flag as n on n.misprediction_id = f.misprediction_id
where f.rule = $rule and f.attribute = $attribute and f.definition_sha256 = $definition_sha256
