-- what a backfill has staged, in the shape of the facts that it is shown beside; definitions come last of all
create or replace temp view staged_flag as
select n.*, now() as known_at
from new_flag as n
anti join wh.main.misprediction as m on m.misprediction_id = n.misprediction_id;

create or replace temp view staged_lapse as
select misprediction_id, because, now() as known_at
from new_lapse;

create or replace temp view staged_attribute as
select attribute, definition, sha256(definition) as definition_sha256, timestamptz 'infinity' as known_at
from defined_attribute;

create or replace temp view staged_rule as
select rule, attribute, definition, sha256(definition) as definition_sha256, timestamptz 'infinity' as known_at
from defined_rule
union all
select distinct r.rule, r.attribute, null, null, timestamptz 'infinity'
from wh.main.rule_definition as r
anti join defined_rule as d on d.rule = r.rule and d.attribute = r.attribute;
