-- one row per sample of the file that is known: the row that says what it is; a sample all of whose rows were refused is
-- not taken, and yet a model that was trained on the file has seen it
create or replace temp table listed_row as
select f.row_number, f.sample_id, g.group_id, f.revision_id, f.refused is null as is_taken
from file_row as f
inner join grouped_sample as g on g.sample_id = f.sample_id
left join current_label as c on c.sample_id = f.sample_id
where f.attribute = $attribute and f.revision_id is not null
qualify row_number() over (
    partition by f.sample_id
    order by f.refused is not null, f.revision_id is distinct from c.revision_id, f.row_number
) = 1
