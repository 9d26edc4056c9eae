-- one row per sample that a case's similar_to lists, outside reserved groups
create or replace temp table reference_sample as
select k.sample_id, g.group_id, p.predicted
from known_sample as k
inner join grouped_sample as g on g.sample_id = k.sample_id
left join current_prediction as p on p.sample_id = k.sample_id
anti join holdout_reserved as r on r.attribute = k.attribute and r.group_id = g.group_id
where list_contains($sample_ids, k.sample_id) and k.attribute = $attribute
