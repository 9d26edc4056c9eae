-- one row at most: the latest training set of the attribute that passed and was not made of this list
select version
from training_set
where attribute = $attribute and state = 'passed'
    and json_extract_string(composition, '$.listed') is distinct from $list_id
order by running_number desc
limit 1
