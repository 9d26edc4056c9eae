-- one row per hold-out of the attribute that was drawn by a moment: its size and how many groups it keeps away
select
    h.case_name,
    h.version,
    count(m.sample_id) as member_count,
    count(distinct m.group_id) as group_count
from wh.main.holdout as h
inner join wh.main.holdout_member as m on m.holdout_id = h.holdout_id
where h.attribute = $attribute and h.known_at <= $reserved_until
group by h.case_name, h.version
order by h.case_name, h.version
