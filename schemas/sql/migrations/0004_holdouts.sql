-- fair tests: the draw, the reservation of groups, the freeze
create table holdout (
    holdout_id varchar not null,
    case_name varchar not null,
    attribute varchar not null,
    version integer not null,
    source varchar not null,
    size_wanted integer not null,
    definition varchar not null,
    definition_sha256 varchar not null,
    known_at timestamptz not null
);

create table holdout_reserved (
    attribute varchar not null,
    group_id varchar not null,
    case_name varchar not null,
    known_at timestamptz not null
);

create table holdout_member (
    holdout_id varchar not null,
    sample_id varchar not null,
    group_id varchar not null,
    stratum varchar not null,
    inclusion_probability double,
    is_seen boolean not null
);

create table holdout_freeze (
    holdout_id varchar not null,
    digest varchar not null,
    known_at timestamptz not null
);

create table holdout_label (
    holdout_id varchar not null,
    sample_id varchar not null,
    revision_id varchar
);
