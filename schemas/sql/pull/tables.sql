-- what a pull stages before it takes the writers' lock
create or replace temp table attribute_rule (
    attribute varchar, kind varchar, labels varchar[]
);
-- one row per distinct text of a context, or of scores
create or replace temp table object_text (
    raw varchar, is_scores boolean, entries struct(key varchar, value json)[], spelled varchar, problem varchar
);
-- one row per file of the chunk, in order of content
create or replace temp table staged_file (
    file_number integer, batch_id varchar, source_uri varchar, content_sha256 varchar, kind varchar
);
-- one row per row of a log, good or bad
create or replace temp table staged_row (
    file_number integer, row_number bigint, reason varchar,
    sample_id varchar, sample_key ubigint,
    recording_id varchar, object_id varchar, observed_at timestamptz, attribute varchar,
    unit_id varchar, media_uri varchar, context varchar,
    feature_space varchar, features_length integer, embedding_space varchar, embedding_length integer,
    model_version varchar, role varchar, predicted varchar, predicted_value double, confidence double,
    scores varchar, predicted_at timestamptz,
    revision_id varchar, label varchar, label_value double, origin varchar, decided_by varchar,
    decided_at timestamptz
);
