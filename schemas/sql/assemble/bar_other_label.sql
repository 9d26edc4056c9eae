-- one row per listed sample whose label by now is another than the one it was listed with, if none barred it before
insert into barred_row
select s.sample_id, 'other_label', null
from listed_set_member as s
inner join current_label as c on c.sample_id = s.sample_id
left join label_revision as r on r.revision_id = s.revision_id
left join renamed_label as n on n.attribute = r.attribute and n.old_label = r.label
where s.list_id = $listed and s.is_taken
    and c.revision_id is not null
    and (
        r.revision_id is null
        or coalesce(n.present_label, r.label) is distinct from c.label
        or r.label_value is distinct from c.label_value
    )
    and s.sample_id not in (select sample_id from barred_row)
