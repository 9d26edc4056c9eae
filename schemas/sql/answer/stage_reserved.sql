-- one row per question of an attribute whose sample's group is reserved for a hold-out
insert into reserved_question
select distinct g.sample_id
from grouped_sample as g
inner join holdout_reserved as r on r.attribute = g.attribute and r.group_id = g.group_id
where g.attribute = $attribute
