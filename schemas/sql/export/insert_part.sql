-- one row: a folder in which an export is being written now, so that an erasure finds it whatever becomes of the export
insert into exported_set
values ($version, $folder, '{}', 0, $known_at)
