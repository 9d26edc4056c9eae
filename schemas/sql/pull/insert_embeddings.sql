-- one row per sample and embedder that is new in one file
insert into sample_vector
select r.sample_id, r.attribute, r.observed_at, r.embedding_space, l.embedding, r.batch_id, $known_at
from log_row as l
inner join added_row as r on r.row_number = l.row_number
where r.file_number = $file_number and r.embedding_length is not null and r.adds_embedding
