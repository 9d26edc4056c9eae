-- one row per stratum of a hold-out
select
    stratum,
    count(*) as member_count,
    count(distinct group_id) as group_count,
    min(inclusion_probability) as least_probability,
    max(inclusion_probability) as greatest_probability
from holdout_member
where holdout_id = $holdout_id
group by stratum
order by stratum
