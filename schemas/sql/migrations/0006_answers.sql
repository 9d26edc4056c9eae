-- what makes answers trustworthy: under which guideline they were given, known items, audited lots, leases
alter table fix_answer add column guideline_sha256 varchar;

create table known_item (
    fix_id varchar not null,
    sample_id varchar not null,
    attribute varchar not null,
    attempt integer not null,
    revision_id varchar not null,
    label varchar,
    label_value double,
    known_at timestamptz not null
);

create table audit_lot (
    lot_id varchar not null,
    attribute varchar not null,
    source varchar not null,
    lot_number integer not null,
    aql double not null,
    level varchar not null,
    inspection varchar not null,
    lot_size integer not null,
    sample_size integer not null,
    accept_at_most integer not null,
    reject_from integer not null,
    known_at timestamptz not null
);

create table audit_lot_fix (
    lot_id varchar not null,
    fix_id varchar not null
);

create table audit_item (
    lot_id varchar not null,
    fix_id varchar not null,
    audited_fix_id varchar not null,
    sample_id varchar not null,
    attempt integer not null,
    known_at timestamptz not null
);

create table audit_verdict (
    lot_id varchar not null,
    verdict varchar not null,
    wrong_count integer not null,
    known_at timestamptz not null
);

create table audit_resumption (
    attribute varchar not null,
    source varchar not null,
    resumed_by varchar not null,
    known_at timestamptz not null
);

create table fix_lease (
    fix_id varchar not null,
    holder varchar not null,
    leased_until timestamptz not null
);
