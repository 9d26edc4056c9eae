-- one row per erasure: what it was of, and for an object the recording's hash, by which rows are narrowed first
create or replace temp table known_tombstone as
select distinct tombstone, scope, inside
from erasure
