-- one row per track that could be drawn for the random watch, with the week and the draw in which it could: once only
create table watch_track (
    attribute varchar not null,
    week date not null,
    part integer not null,
    recording_id varchar not null,
    object_id varchar not null,
    known_at timestamptz not null
);
