-- mispredictions, failure cases, label fixes
create table misprediction (
    misprediction_id varchar not null,
    sample_id varchar not null,
    prediction_id varchar not null,
    attribute varchar not null,
    rule varchar not null,
    definition_sha256 varchar not null,
    score double,
    revision_id varchar,
    known_at timestamptz not null
);

create table misprediction_lapse (
    misprediction_id varchar not null,
    because varchar not null,
    known_at timestamptz not null
);

create table failure_case (
    case_name varchar not null,
    attribute varchar not null,
    severity varchar not null,
    definition varchar not null,
    definition_sha256 varchar not null,
    known_at timestamptz not null
);

create table case_state (
    case_name varchar not null,
    state varchar not null,
    because varchar not null,
    decided_by varchar,
    known_at timestamptz not null
);

create table case_member (
    case_name varchar not null,
    sample_id varchar not null,
    found_by varchar not null,
    score double,
    prediction_id varchar not null,
    definition_sha256 varchar not null,
    known_at timestamptz not null
);

create table label_fix (
    fix_id varchar not null,
    sample_id varchar not null,
    attribute varchar not null,
    attempt integer not null,
    reason varchar not null,
    priority double not null,
    guideline_sha256 varchar,
    about_revisions varchar[],
    known_at timestamptz not null
);

create table fix_request (
    fix_id varchar not null,
    case_name varchar,
    reason varchar not null,
    misprediction_id varchar,
    prediction_id varchar,
    known_at timestamptz not null
);

create table fix_answer (
    fix_id varchar not null,
    annotator varchar not null,
    answer varchar not null,
    answer_value double,
    saw_prediction boolean not null,
    answered_at timestamptz,
    seconds double,
    note varchar,
    batch_id varchar not null,
    known_at timestamptz not null
);

create table fix_outcome (
    fix_id varchar not null,
    outcome varchar not null,
    revision_id varchar,
    known_at timestamptz not null
);
