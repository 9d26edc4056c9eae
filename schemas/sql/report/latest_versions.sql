-- one row per case (or overall) of an attribute: the version of its latest hold-out, frozen or not
select case_name, max(version) as version
from holdout
where attribute = $attribute
group by case_name
order by case_name
