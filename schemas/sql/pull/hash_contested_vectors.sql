-- what one file's contested rows hold as vectors, small enough to be compared; where there is none, none: a hash
-- of null is a number too, and would count as something that the row adds
update contested_row as c
set
    features_hash = case when l.features is not null then hash(l.features) end,
    embedding_hash = case when l.embedding is not null then hash(l.embedding) end
from log_row as l
where c.file_number = $file_number and l.row_number = c.row_number
