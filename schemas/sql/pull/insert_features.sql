-- one row per sample and feature version that is new in one file
insert into sample_vector
select r.sample_id, r.attribute, r.observed_at, r.feature_space, l.features, r.batch_id, $known_at
from log_row as l
inner join added_row as r on r.row_number = l.row_number
where r.file_number = $file_number and r.features_length is not null and r.adds_features
