-- one row per case's latest hold-out that is not frozen: how many members it has, and how they stand
select
    holdout_id,
    case_name,
    attribute,
    count(*) as members,
    count(*) filter (where state = 'missing') as missing,
    count(*) filter (where state = 'restricted') as restricted,
    count(*) filter (where state = 'unaudited') as unaudited,
    count(*) filter (where state = 'beyond_audit') as beyond_audit,
    count(*) filter (where state = 'labelled') as labelled
from waiting_member
group by holdout_id, case_name, attribute
order by holdout_id
