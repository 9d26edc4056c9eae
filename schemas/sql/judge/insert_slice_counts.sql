-- one row per value of a slice: the rows kept of the parent or added for no targeted case, the parent's rows, all
-- training rows, and all known samples (without $is_of_all: the training rows again)
insert into slice_count
select
    $slice,
    slice_value,
    count(*) filter (where is_kept_row),
    count(*) filter (where is_parent_row),
    count(*) filter (where is_row),
    count(*) filter (where is_row or $is_of_all)
from valued_row
where attribute = $attribute
group by slice_value
