-- one row per attribute and case: its latest hold-out that is frozen
select
    h.attribute,
    h.case_name,
    arg_max(h.holdout_id, h.version) as holdout_id,
    max(h.version) as version
from holdout as h
semi join holdout_freeze as z on z.holdout_id = h.holdout_id
group by h.attribute, h.case_name
