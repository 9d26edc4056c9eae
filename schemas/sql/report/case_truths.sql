-- one row per failure case of an attribute: the class whose recall is its figure ('': its figure is accuracy)
select case_name, coalesce(arg_max(definition, known_at)::json->'holdout'->>'truth', '') as truth
from failure_case
where attribute = $attribute
group by case_name
order by case_name
