-- one row per set of rules: how many present members of a case they found, and how many still have a live flag
with members as (
    select sample_id, found_by from present_member where case_name = $case_name
)
select
    m.found_by,
    count(*) as member_count,
    count(*) filter (where m.sample_id in (select sample_id from live_flag)) as flagged_count
from members as m
group by m.found_by
order by member_count desc, m.found_by
