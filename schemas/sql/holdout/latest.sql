-- one row at most: the latest hold-out of a case, and how many members the version before it had
with before as (
    select h.version, count(*) as member_count
    from holdout as h
    inner join holdout_member as m on m.holdout_id = h.holdout_id
    where h.case_name = $case_name and h.attribute = $attribute
    group by h.version
)
select
    h.holdout_id,
    h.version,
    h.definition_sha256,
    h.size_wanted,
    z.holdout_id is not null as is_frozen,
    h.source,
    coalesce(b.member_count, 0) as members_before
from holdout as h
left join holdout_freeze as z on z.holdout_id = h.holdout_id
left join before as b on b.version = h.version - 1
where h.case_name = $case_name and h.attribute = $attribute
order by h.version desc
limit 1
