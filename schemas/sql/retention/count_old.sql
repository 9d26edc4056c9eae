-- one row: how many refused rows with their content, runs and vectors are to go
select
    (select count(*) from quarantined_row where known_at < $before::timestamptz and raw <> '') as quarantined,
    (select count(*) from forgotten_run) as runs,
    (select count(*) from sample_vector where sample_id in (select sample_id from forgotten_sample)) as vectors
