-- the random watch of served traffic: a week's draws, what was drawn with which probability, and when a week was closed
create table watch_draw (
    attribute varchar not null,
    week date not null,
    part integer not null,
    track_count bigint not null,
    drawn_count bigint not null,
    inclusion_probability double not null,
    seen_until timestamptz not null,
    known_at timestamptz not null
);

create table watch_sample (
    attribute varchar not null,
    week date not null,
    part integer not null,
    sample_id varchar not null,
    inclusion_probability double not null,
    track_sample_count bigint not null,
    known_at timestamptz not null
);

create table watch_close (
    attribute varchar not null,
    week date not null,
    because varchar not null,
    known_at timestamptz not null
);
