-- one row per new known item: its key, which stands nowhere else
insert into known_item by name
select
    n.fix_id,
    n.sample_id,
    n.attribute,
    n.attempt,
    n.revision_id,
    c.label,
    c.label_value,
    $known_at as known_at
from chosen_known as n
inner join known_candidate as c on c.revision_id = n.revision_id
where n.is_new
