-- one row per group that the incumbent's ancestry holds (seen_row): the groups as they were, and as they are by what is
-- known of their samples today
create or replace temp table seen_group as
select group_id from seen_row
union
select g.group_id
from grouped_sample as g
semi join seen_row as s on s.sample_id = g.sample_id
