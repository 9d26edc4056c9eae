-- one row where the attribute has an incumbent: the training set it was made from (null: made elsewhere)
select m.training_set_version
from incumbent as i
left join model as m on m.model_version = i.model_version
where i.attribute = $attribute
