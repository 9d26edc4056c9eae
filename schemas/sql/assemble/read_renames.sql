-- one row per old label of an attribute and its present name
select old_label, present_label
from renamed_label
where attribute = $attribute
