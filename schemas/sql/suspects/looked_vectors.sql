-- one row per row that is looked at, a group's rows together: its features, the first that were known
with first_vector as (
    select v.sample_id, arg_min(v.vector, v.known_at) as vector
    from sample_vector as v
    semi join looked_row as l on l.sample_id = v.sample_id
    where v.space = $feature_space and v.attribute = $attribute
    group by v.sample_id
)
select l.sample_id, l.label_number, l.group_number, v.vector
from looked_row as l
inner join first_vector as v on v.sample_id = l.sample_id
order by l.group_number, l.sample_id
