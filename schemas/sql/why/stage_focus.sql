-- one row per sample that composing a version for one sample has to look at: itself, and the attribute's hold-out
-- samples, whose groups are reserved
create or replace temp table composed_focus as
select sample_id from explained_sample
union
select m.sample_id
from holdout_member as m
inner join holdout as h on h.holdout_id = m.holdout_id
where h.attribute = $attribute
