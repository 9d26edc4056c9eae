-- one row per row that is given out: what is counted of it
create or replace temp table exported_row (
    sample_id varchar, group_key ubigint, recording_key ubigint, object_key ubigint, observed_at timestamptz,
    unit_id varchar, has_media boolean, has_context boolean,
    label varchar, label_value double, weight double, reason varchar, case_names varchar[],
    origin varchar, decided_by varchar, decided_at timestamptz, guideline_sha256 varchar, label_fix_id varchar,
    file_key ubigint
)
