-- one row at most: the latest hold-out of a case
select h.holdout_id, h.version, h.definition_sha256, h.size_wanted, z.holdout_id is not null as is_frozen
from holdout as h
left join holdout_freeze as z on z.holdout_id = h.holdout_id
where h.case_name = $case_name and h.attribute = $attribute
order by h.version desc
limit 1
