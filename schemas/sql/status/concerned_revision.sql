-- one row per label revision of a sample that the status asks about
create or replace temp view label_revision as
select *
from wh.main.label_revision
semi join concerned_sample using (sample_id)
