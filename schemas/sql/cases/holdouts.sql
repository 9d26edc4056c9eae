-- one row per version of a case's hold-out
with members as (
    select holdout_id, count(*) as member_count, count(distinct group_id) as group_count
    from holdout_member
    group by holdout_id
)
select
    h.holdout_id,
    h.version,
    h.source,
    m.member_count,
    m.group_count,
    z.holdout_id is not null as is_frozen
from holdout as h
inner join members as m on m.holdout_id = h.holdout_id
left join holdout_freeze as z on z.holdout_id = h.holdout_id
where h.case_name = $case_name
order by h.version
