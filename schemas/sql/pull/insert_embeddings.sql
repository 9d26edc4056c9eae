-- one row per sample and embedder that is new in one file; what is joined to the vectors is kept narrow
insert into sample_vector
with wanted as (
    select r.row_number, r.sample_id, r.observed_at, s.space_number
    from added_row as r
    inner join space_length as s on s.attribute = r.attribute and s.space = r.embedding_space
    where r.file_number = $file_number and r.embedding_length is not null and r.adds_embedding
)
select
    w.sample_id,
    s.attribute,
    w.observed_at,
    s.space,
    l.embedding,
    (select batch_id from fresh_file where file_number = $file_number),
    $known_at
from log_row as l
inner join wanted as w on w.row_number = l.row_number
inner join space_length as s on s.space_number = w.space_number
