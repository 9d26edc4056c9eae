-- the clock that orders all facts, and what steps remember of their own work
create table warehouse_clock (known_at timestamptz not null);
insert into warehouse_clock values (timestamptz '1970-01-01 00:00:00+00');

create table flow_run (
    run_id varchar not null,
    flow varchar not null,
    parameters varchar,
    state varchar not null,
    started_at timestamptz not null,
    ended_at timestamptz,
    counts varchar,
    error varchar
);

create table step_progress (
    step varchar not null,
    scope varchar not null,
    definition_sha256 varchar,
    done_until timestamptz not null
);

create table seen_file (
    path varchar not null,
    size_bytes bigint not null,
    modified_ns bigint not null,
    content_sha256 varchar not null
);
