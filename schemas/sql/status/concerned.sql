-- one row per sample whose label the status asks about: members, asked samples, hold-outs that are not frozen
create or replace temp table concerned_sample as
select sample_id from case_member
union
select sample_id from label_fix
union
select m.sample_id
from holdout_member as m
anti join holdout_freeze as z on z.holdout_id = m.holdout_id
