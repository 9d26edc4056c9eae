-- what comes in: files, samples, vectors, predictions, labels
create table pull_batch (
    batch_id varchar not null,
    source_uri varchar not null,
    content_sha256 varchar not null,
    kind varchar not null,
    rows_read bigint not null,
    rows_kept bigint not null,
    rows_duplicate bigint not null,
    rows_quarantined bigint not null,
    run_id varchar,
    known_at timestamptz not null
);

create table quarantined_row (
    batch_id varchar not null,
    row_number bigint not null,
    reason varchar not null,
    raw varchar not null,
    known_at timestamptz not null
);

create table attribute_definition (
    attribute varchar not null,
    definition varchar not null,
    definition_sha256 varchar not null,
    known_at timestamptz not null
);

create table rule_definition (
    rule varchar not null,
    attribute varchar not null,
    definition varchar,
    definition_sha256 varchar,
    known_at timestamptz not null
);

create table sample (
    sample_id varchar not null,
    recording_id varchar not null,
    object_id varchar not null,
    observed_at timestamptz not null,
    attribute varchar not null,
    unit_id varchar,
    media_uri varchar,
    context json,
    batch_id varchar not null,
    known_at timestamptz not null
);

create table sample_vector (
    sample_id varchar not null,
    attribute varchar not null,
    observed_at timestamptz not null,
    space varchar not null,
    vector float[] not null,
    batch_id varchar not null,
    known_at timestamptz not null
);

create table vector_space (
    attribute varchar not null,
    space varchar not null,
    length integer not null,
    known_at timestamptz not null
);

create table prediction (
    prediction_id varchar not null,
    sample_id varchar not null,
    attribute varchar not null,
    observed_at timestamptz not null,
    model_version varchar not null,
    role varchar not null,
    predicted varchar,
    predicted_value double,
    confidence double,
    scores json,
    predicted_at timestamptz not null,
    batch_id varchar not null,
    known_at timestamptz not null
);

create table label_revision (
    revision_id varchar not null,
    sample_id varchar not null,
    attribute varchar not null,
    observed_at timestamptz not null,
    label varchar,
    label_value double,
    origin varchar not null,
    decided_by varchar,
    decided_at timestamptz,
    fix_id varchar,
    batch_id varchar,
    guideline_sha256 varchar,
    supersedes varchar,
    known_at timestamptz not null
);
