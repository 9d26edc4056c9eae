-- one row per candidate whose label stands, in its place among those of its attribute and source; what a later
-- answer has replaced is not worth an audit
create or replace temp table standing_candidate as
select
    c.*,
    row_number() over (partition by c.attribute, c.source order by c.settled_at, c.fix_id) - 1 as place
from lot_candidate as c
semi join standing_revision as s on s.revision_id = c.revision_id
