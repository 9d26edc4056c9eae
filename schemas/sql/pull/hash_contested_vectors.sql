-- what one file's contested rows hold as vectors, small enough to be compared
update contested_row as c
set features_hash = hash(l.features), embedding_hash = hash(l.embedding)
from log_row as l
where c.file_number = $file_number and l.row_number = c.row_number
