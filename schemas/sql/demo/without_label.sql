-- one row per sample that annotators were asked about and could not settle
select distinct f.sample_id
from label_fix as f
inner join fix_outcome as o on o.fix_id = f.fix_id
left join current_label as l on l.sample_id = f.sample_id
where o.outcome in ('ambiguous', 'unusable') and l.label is null
