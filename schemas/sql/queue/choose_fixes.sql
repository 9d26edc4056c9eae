-- one row per open fix to be handed out: the most urgent that were asked for
create or replace temp table chosen_fix as
select *
from open_fix
where ($attribute is null or attribute = $attribute)
    and ($case_name is null or list_contains(case_names, $case_name))
order by priority desc, fix_id
limit $at_most
