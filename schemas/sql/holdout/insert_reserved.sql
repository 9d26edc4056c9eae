-- one row per group newly reserved for a case
insert into holdout_reserved
select distinct $attribute, d.group_id, $case_name, $known_at
from drawn_member as d
anti join holdout_reserved as r
    on r.attribute = $attribute and r.group_id = d.group_id and r.case_name = $case_name
