-- one row per hold-out that is not frozen and has members whose label comes from a fix that is in no passed lot
select m.holdout_id, count(*) as unaudited
from holdout_member as m
inner join current_label as l on l.sample_id = m.sample_id
left join fix_lot as k on k.fix_id = l.fix_id
anti join holdout_freeze as z on z.holdout_id = m.holdout_id
where l.revision_id is not null
    and l.fix_id is not null
    and coalesce(k.verdict, 'open') <> 'passed'
group by m.holdout_id
