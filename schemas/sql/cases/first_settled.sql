-- one row if any sample of a case, member or asked, has a truth
with concerned as (
    select sample_id from present_member where case_name = $case_name
    union
    select f.sample_id
    from fix_request as q
    inner join label_fix as f on f.fix_id = q.fix_id
    where q.case_name = $case_name
)
select l.sample_id
from current_label as l
semi join concerned as c on c.sample_id = l.sample_id
where l.revision_id is not null
limit 1
