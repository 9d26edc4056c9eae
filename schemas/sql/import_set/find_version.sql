-- one row at most: the latest version that passed and was made of a list of this name, or of this very file
select v.version
from training_set as v
inner join listed_set as s on s.list_id = json_extract_string(v.composition, '$.listed')
where v.attribute = $attribute and v.state = 'passed'
    and (s.list_id = $list_id or s.batch_id = make_batch_id($sha256))
order by v.running_number desc
limit 1
