-- what the limits of [watch] found and what has not gone away since: when it was first found, and when it was told
create table open_finding (
    watch varchar not null,
    subject varchar not null,
    message varchar not null,
    found_at timestamptz not null,
    told_at timestamptz
);
