-- one row per unseen member of a hold-out that a file listed
create or replace temp table listed_member as
select sample_id, group_id
from holdout_member
where holdout_id = $holdout_id and not is_seen and inclusion_probability is null
