-- one row per sample that is drawn, not known to be seen, and not compared with the incumbent's rows yet; those that are
-- carried on from an earlier version only where asked
create or replace temp table copy_candidate as
select d.sample_id
from drawn_member as d
anti join tested_sample as t on t.sample_id = d.sample_id
where not d.is_seen
    and ($carried_too or d.sample_id not in (select sample_id from carried_member))
