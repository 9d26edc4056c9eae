-- one row per open fix, most urgent first
select o.fix_id, o.attribute, o.reason, o.priority, o.case_names, o.answer_count, o.attempt, o.sample_id
from open_fix as o
where ($attribute is null or o.attribute = $attribute)
    and ($case_name is null or list_contains(o.case_names, $case_name))
order by o.priority desc, o.fix_id
limit $at_most
