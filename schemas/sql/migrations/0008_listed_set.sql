-- where training sets were exported to; and which samples a file lists that became an attribute's first training set
create table exported_set (
    version varchar not null,
    folder varchar not null,
    files varchar not null,
    rows_withheld bigint not null,
    known_at timestamptz not null
);

create table listed_set (
    list_id varchar not null,
    attribute varchar not null,
    batch_id varchar not null,
    known_at timestamptz not null
);

create table listed_set_member (
    list_id varchar not null,
    sample_id varchar not null,
    group_id varchar not null,
    revision_id varchar not null,
    is_taken boolean not null
);
