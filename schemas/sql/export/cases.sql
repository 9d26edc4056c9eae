-- one row per failure case that rows of a version are about: its question and severity
select
    case_name,
    arg_max(json_extract_string(definition, '$.question'), known_at) as question,
    arg_max(json_extract_string(definition, '$.severity'), known_at) as severity
from failure_case
where case_name in (select unnest(case_names) from exported_row)
group by case_name
order by case_name
