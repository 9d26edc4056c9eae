-- training sets, models, verdicts
create table training_set (
    version varchar not null,
    attribute varchar not null,
    running_number integer not null,
    parent_version varchar,
    composition varchar not null,
    as_of timestamptz not null,
    reserved_until timestamptz not null,
    row_count bigint not null,
    digest varchar not null,
    state varchar not null,
    known_at timestamptz not null
);

create table training_set_member (
    version varchar not null,
    sample_id varchar not null,
    group_id varchar not null,
    revision_id varchar not null,
    label varchar,
    label_value double,
    weight double not null,
    reason varchar not null,
    fix_id varchar,
    case_name varchar,
    case_names varchar[],
    prediction_id varchar
);

create table quality_check (
    version varchar not null,
    check_name varchar not null,
    requirement varchar not null,
    passed boolean not null,
    observed varchar,
    failing_count bigint not null,
    known_at timestamptz not null
);

create table check_failure (
    version varchar not null,
    check_name varchar not null,
    sample_id varchar not null
);

create table model (
    model_version varchar not null,
    attribute varchar not null,
    role varchar not null,
    parent_version varchar,
    training_set_version varchar,
    trainer varchar,
    settings varchar,
    artefact_uri varchar,
    artefact_sha256 varchar,
    seed bigint,
    known_at timestamptz not null
);

create table holdout_prediction (
    model_version varchar not null,
    holdout_id varchar not null,
    sample_id varchar not null,
    predicted varchar,
    predicted_value double,
    confidence double
);

create table evaluation (
    model_version varchar not null,
    holdout_id varchar not null,
    slice varchar not null,
    metric varchar not null,
    value double,
    low double,
    high double,
    n bigint not null,
    known_at timestamptz not null
);

create table gate_decision (
    candidate varchar not null,
    baseline varchar,
    holdout_id varchar,
    criterion varchar not null,
    estimate double,
    low double,
    high double,
    margin double,
    p_value double,
    verdict varchar not null,
    reason varchar not null,
    known_at timestamptz not null,
    judged_by varchar
);

create table sign_off (
    model_version varchar not null,
    attribute varchar not null,
    decision varchar not null,
    against_verdict boolean not null,
    signed_by varchar not null,
    note varchar,
    known_at timestamptz not null
);

create table erasure (
    tombstone varchar not null,
    versions varchar[],
    models varchar[],
    known_at timestamptz not null
);
