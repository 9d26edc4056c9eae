-- one row: since when the first label of an attribute is known (null: there is none)
select min(known_at)
from label_revision
where attribute = $attribute
